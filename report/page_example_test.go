package report_test

import (
	"context"
	"fmt"
	"log"
	"os"
	"path/filepath"
	"strings"
	"time"

	"fettle/report"
)

// The evidence of a folder becomes one file.
func ExampleWriteHTML() {
	folder, err := report.Read(context.Background(), "../testdata/trials", nil)
	if err != nil {
		log.Fatal(err)
	}
	to, err := os.MkdirTemp("", "evidence")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(to)
	page, err := os.Create(filepath.Join(to, "report.html"))
	if err != nil {
		log.Fatal(err)
	}
	defer page.Close()
	if err := report.WriteHTML(page, []report.Folder{folder}, report.Made{Version: "1.0", When: time.Now()}); err != nil {
		log.Fatal(err)
	}
	text, err := os.ReadFile(page.Name())
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(strings.Contains(string(text), "<title>trials: evidence</title>"), strings.Contains(string(text), "<script"))
	// Output: true false
}
