package journal_test

import (
	"fmt"
	"os"
	"path/filepath"
	"time"

	"fettle/nmra/cv"
	"fettle/prog/journal"
)

// A batch was interrupted in the middle of a write: its journal says what the register held, and what was about to be written.
func Example() {
	folder, err := os.MkdirTemp("", "fettle")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(folder)
	j := journal.New(folder, "tram-3", journal.Header{Batch: "apply", When: time.Date(2026, 11, 25, 7, 41, 3, 0, time.UTC)})
	for _, err := range []error{
		j.Held(cv.Values{{CV: 3}: 6}),
		j.Wanted(cv.Values{{CV: 3}: 12}),
		j.Writing(cv.Register{CV: 3}, 12),
		j.Close(),
	} {
		if err != nil {
			fmt.Println(err)
			return
		}
	}
	record, err := journal.Read(j.Path())
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(filepath.Base(j.Path()))
	fmt.Println(record.Held, record.Writes, record.Ended == "")
	// Output:
	// tram-3-20261125-074103.journal
	// map[3:6] [{3 12}] true
}
