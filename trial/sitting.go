package trial

import (
	"bytes"
	"fmt"
	"strings"
	"time"
	"unicode"
)

// Sitting is one time at which runs were made: when it began, and on what. A file of runs says it in a line of its own, which any spreadsheet
// takes for a note:
//
//	# made 2026-11-25T20:55:00Z on simulated bench: night-mail engine 30
type Sitting struct {
	When    time.Time // in UTC, to the second
	Station string    // as the station describes itself, or [ByHand]
}

// ByHand is the station of runs that were made without the tool.
const ByHand = "no station: by hand"

const made, on = "# made ", " on "

// AppendSittings appends a line for each, for a file of runs to begin with. What can't be in a line becomes a question mark.
func AppendSittings(b []byte, sittings []Sitting) []byte {
	for _, s := range sittings {
		station := strings.Map(func(r rune) rune {
			if unicode.IsPrint(r) && r != unicode.ReplacementChar {
				return r
			}
			return '?'
		}, s.Station)
		b = fmt.Appendf(b, "%s%s%s%s\n", made, s.When.UTC().Format(time.RFC3339), on, station)
	}
	return b
}

// ReadSittings reads those of a file of runs. Errors: those of opening and reading it.
func ReadSittings(path string) ([]Sitting, error) {
	data, err := load(path)
	return ParseSittings(data), err
}

// ParseSittings finds them in the text of a file of runs, in its order, also as a spreadsheet has saved them: in quotation marks, with empty
// cells after them. What is not written so is a comment like any other.
func ParseSittings(data []byte) (sittings []Sitting) {
	const most = 1000 // no trial is taken up so often
	for len(data) > 0 && len(sittings) < most {
		var line []byte
		line, data, _ = bytes.Cut(data, []byte("\n"))
		text := strings.TrimRight(strings.TrimSpace(strings.TrimPrefix(string(line), "\ufeff")), ",;\t")
		if quoted := strings.TrimPrefix(text, `"`); quoted != text {
			text = strings.ReplaceAll(strings.TrimSuffix(quoted, `"`), `""`, `"`)
		}
		rest, ok := strings.CutPrefix(text, made)
		if !ok {
			continue
		}
		when, station, ok := strings.Cut(rest, on)
		at, err := time.Parse(time.RFC3339, when)
		if ok && err == nil {
			sittings = append(sittings, Sitting{at.UTC(), station})
		}
	}
	return sittings
}
