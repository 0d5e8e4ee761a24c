package trial

import "time"

// Sitting is one time at which runs were made: when it began, and on what. A file of runs says it in a line of its own, which any spreadsheet
// takes for a comment or a note:
//
//	# made 2026-11-25T20:55:00Z on simulated bench: night-mail engine 30
type Sitting struct {
	When    time.Time // in UTC, to the second
	Station string    // as the station describes itself, or "by hand"
}

// AppendSittings appends a line for each.
func AppendSittings(b []byte, sittings []Sitting) []byte { panic("not built yet") }

// ParseSittings finds them in the text of a file of runs, in its order. What is not written as AppendSittings does is a comment like any other.
func ParseSittings(data []byte) []Sitting { panic("not built yet") }
