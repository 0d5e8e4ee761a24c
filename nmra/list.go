package nmra

import (
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"
)

// MaxListed is how many packets a list may have.
const MaxListed = 10_000

// Listed is a packet of a list.
type Listed struct {
	Line   int // from 1
	Packet Packet
}

// ListError is one thing that is wrong with a list of packets.
type ListError struct {
	File         string
	Line, Column int    // from 1; the column in characters
	Text         string // "found X, want Y"
}

func (e *ListError) Error() string {
	return fmt.Sprintf("%s:%d:%d: %s", e.File, e.Line, e.Column, e.Text)
}

// mostListErrors is how many errors of a list are told.
const mostListErrors = 20

// ReadList reads a list of packets, one a line, each as [ReadPacket] reads it; file is its name, for errors. From # to the end of a line
// is a comment, and lines with nothing else are passed over. Like ReadPacket it asks neither what the bytes mean nor whether the check
// byte is right.
//
// With any error there is no list. The error joins a [*ListError] for each line that is wrong, of the first twenty.
func ReadList(file, text string) ([]Listed, error) {
	var list []Listed
	var wrong []error
	line := 0
	fault := func(column int, format string, args ...any) {
		wrong = append(wrong, &ListError{file, line, column, fmt.Sprintf(format, args...)})
	}
	for whole := range strings.Lines(text) {
		line++
		entry, _, _ := strings.Cut(whole, "#")
		entry = strings.TrimRightFunc(entry, space)
		if entry == "" {
			continue
		}
		column := func(offset int) int { return utf8.RuneCountInString(entry[:offset]) + 1 }
		start := column(len(entry) - len(strings.TrimLeftFunc(entry, space)))
		p, err := ReadPacket(entry)
		var place *TextError
		switch {
		case errors.As(err, &place) && place.Found == "":
			fault(column(len(entry)), "found the end of the packet, want %s", place.Want)
		case place != nil:
			fault(column(place.At-1), "found %q, want %s", place.Found, place.Want)
		case err != nil:
			fault(start, "found %s", strings.TrimPrefix(err.Error(), "packet: "))
		case len(list) == MaxListed:
			fault(start, "found one packet more, want %d at the most", MaxListed)
			return nil, errors.Join(wrong...)
		default:
			list = append(list, Listed{line, p})
			continue
		}
		if len(wrong) == mostListErrors {
			break
		}
	}
	if len(list) == 0 && len(wrong) == 0 {
		line++
		fault(1, "found the end, want a packet, as 37 74 43")
	}
	if len(wrong) > 0 {
		return nil, errors.Join(wrong...)
	}
	return list, nil
}
