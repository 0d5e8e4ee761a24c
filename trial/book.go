package trial

import (
	"errors"
	"fmt"
	"io/fs"
	"slices"
)

// Book is a trial and its runs, planned and made, as a file keeps them: [ReadRuns] reads it too.
type Book struct {
	Trial    Trial
	Runs     []Run
	Doubts   []Doubt   // of the runs that the file had
	Sittings []Sitting // at which runs were made, as far as the file says
}

// OpenBook gives the runs that a trial asks for, with those in them that a file has; the file need not be there. Errors: those of
// [Trial.Plan], [ReadRuns] and [Resume].
func OpenBook(file string, t Trial) (Book, error) {
	b := Book{Trial: t}
	var err error
	if b.Runs, err = t.Plan(); err != nil {
		return Book{}, err
	}
	data, err := load(file)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return b, nil
	case err != nil:
		return Book{}, err
	}
	made, doubts, err := ParseRuns(file, data, t)
	if err != nil {
		return Book{}, err
	}
	b.Doubts, b.Sittings = doubts, ParseSittings(data)
	if b.Runs, err = Resume(b.Runs, made); err != nil {
		return Book{}, fmt.Errorf("%s: %w", file, err)
	}
	return b, nil
}

// Made is how many of its runs are made.
func (b Book) Made() (n int) {
	for _, r := range b.Runs {
		if r.Made {
			n++
		}
	}
	return n
}

// Add gives the book with its runs as they have become. Where one more of them is made than before, so is the sitting in it, once; the zero
// Sitting is none.
func (b Book) Add(runs []Run, s Sitting) Book {
	was := b.Made()
	b.Runs = runs
	if b.Made() > was && s != (Sitting{}) && !slices.Contains(b.Sittings, s) {
		b.Sittings = append(slices.Clip(b.Sittings), s)
	}
	return b
}

// Append appends the text of its file: the sittings, then all runs.
func (b Book) Append(text []byte) []byte {
	return AppendRuns(AppendSittings(text, b.Sittings), b.Runs)
}
