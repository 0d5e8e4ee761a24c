package report_test

import (
	"context"
	"fmt"

	"fettle/report"
)

// A folder of trials says whether the engine is fit for the layout.
func ExampleRead() {
	f, err := report.Read(context.Background(), "../testdata/trials", nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	t, b, ok := f.Deciding()
	fmt.Println(ok, t.Title)
	fmt.Println(b.File)
	fmt.Println(b.Verdict.Sentence)
	// Output:
	// true Night-mail engine 30, quay section 2
	// night-mail-30.csv
	// Fit: it stops with the section from every wanted speed, either end leading, within 20 mm of 1400 mm, and runs on against it.
}
