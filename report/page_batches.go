package report

import (
	"fmt"
	"slices"
	"strings"

	"fettle/nmra/cv"
	"fettle/prog/sheet"
)

// mostRegisters is how many registers of a batch, or of what changed between two surveys, are told one by one where they are not of the newest;
// of the others their numbers are told.
const mostRegisters = 40

// batchPage is what a batch did to the decoder.
type batchPage struct {
	ID      string
	File    string
	Title   string // of the set, or of the journal that was undone
	Verb    string
	When    string
	Station string
	Decoder string
	State   string // how it ended, in words
	Proven  bool
	Rows    []batchRow
	Nothing string // in place of rows, where there are none
	Already string // registers that held already what is wanted, in ranges
	More    string // registers that are not told one by one, in ranges
}

type batchRow struct {
	Register string
	To       string // its row among what the decoder holds
	Name     string
	Was      string
	Wanted   string
	Found    string
	State    string
}

func batchesOf(f Folder, prefix string, holds *holdsPage) (pages []batchPage) {
	known := f.Sheet().Sheet
	for i, j := range f.Journals {
		b := batchPage{
			ID: fmt.Sprintf("%sbatch%d", prefix, i+1), File: j.File, Title: j.Title, Verb: j.Batch, When: when(j.When), Station: j.Station,
			Decoder: fmt.Sprintf("maker %d, version %d", j.Decoder.Maker, j.Decoder.Version), Proven: j.Proven(),
		}
		switch {
		case j.Ended == "":
			b.State = "stopped half-way: it can be gone on with, or undone"
		case b.Proven:
			b.State = "ended: " + j.Ended
		default:
			b.State = "ended, and not all of it is proven: " + j.Ended
		}
		b.rows(j, known, holds)
		switch {
		case len(j.Wanted) > 0:
			b.Nothing = "No register had to be changed."
		case j.Found != nil:
			b.Nothing = "No register of which it was known what it held before was found otherwise."
		default:
			b.Nothing = "It came to no plan."
		}
		if i < len(f.Journals)-1 && len(b.Rows) > mostRegisters {
			var rest []cv.Register
			for _, row := range b.Rows[mostRegisters:] {
				if r, err := cv.ParseRegister(row.Register); err == nil {
					rest = append(rest, r)
				}
			}
			b.Rows, b.More = b.Rows[:mostRegisters], strings.Join(cv.Ranges(rest), ", ")
		}
		pages = append(pages, b)
	}
	slices.Reverse(pages) // the newest first
	return pages
}

// rows are the registers that the batch changed, or was to change.
func (b *batchPage) rows(j Journal, known sheet.Sheet, holds *holdsPage) {
	written := map[cv.Register]int{}
	for _, w := range j.Writes {
		written[w.Register]++
	}
	registers := cv.Values{}
	for r := range j.Wanted {
		registers[r] = 0
	}
	if j.Wanted == nil { // a reset, or a batch that had no plan yet
		for r, v := range j.Held {
			if found, ok := j.Found[r]; j.Found != nil && (!ok || found != v) {
				registers[r] = 0
			}
		}
	}
	var already []cv.Register
	for _, r := range registers.Registers() {
		was, held := j.Held[r]
		wanted, asked := j.Wanted[r]
		found, again := j.Found[r]
		if asked && held && was == wanted && again && found == wanted && written[r] == 0 {
			already = append(already, r)
			continue
		}
		row := batchRow{Register: r.String(), To: holds.row(r), Name: known.Named(r).Name, Was: "not known", Wanted: "", Found: "not read again"}
		if held {
			row.Was = fmt.Sprint(was)
		}
		if asked {
			row.Wanted = fmt.Sprint(wanted)
		}
		if again {
			row.Found = fmt.Sprint(found)
		}
		switch {
		case j.Found == nil && written[r] == 0:
			row.State = "not written"
		case j.Found == nil:
			row.State = "written, not read again"
		case !again:
			row.Found, row.State = "", "not proven"
		case !asked:
			row.State = "changed by the " + j.Batch
		case found != wanted:
			row.State = "not as wanted"
		case written[r] == 0:
			row.State = "as wanted, without a write"
		default:
			row.State = "written and proven"
		}
		b.Rows = append(b.Rows, row)
	}
	b.Already = strings.Join(cv.Ranges(already), ", ")
}
