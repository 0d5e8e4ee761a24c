package capture

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strings"

	"fettle/nmra/wave"
)

const (
	mostTape       = 1 << 20 // bytes that are read, and kept, to find the channel with the signal in
	mostCandidates = 64      // channels in which it is looked for, of those that can have it
	peeked         = 512     // bytes that show the form
)

// Open begins to read a capture from r. Where it has to find the channel it first reads as much as a megabyte of it.
// Errors: a *SyntaxError for what is no capture; one that lists the channels, where none has the name asked for, or it can't be found
// which has the signal; those of r.
func Open(r io.Reader, o Options) (*Capture, error) {
	t := &tape{from: r}
	form, err := formOf(t)
	if err != nil {
		return nil, err
	}
	from, err := newReader(form, t, o)
	if err != nil {
		return nil, err
	}
	all := from.channels()
	signal, current, err := chosen(all, o)
	if err != nil {
		return nil, err
	}
	if signal < 0 {
		candidates := candidates(all, current)
		if signal = candidates[0]; len(candidates) > 1 {
			if signal, err = find(form, t, o, all, candidates); err != nil {
				return nil, err
			}
			if from, err = newReader(form, t.again(), o); err != nil {
				return nil, err
			}
		}
	}
	t.stop()
	c, err := start(form, from, all, signal, current)
	if err != nil && o.Current == "" && current >= 0 {
		return start(form, from, all, signal, -1) // its name says so, but it can't be
	}
	return c, err
}

// newReader makes the reader of a form, from the first byte on.
func newReader(form Form, r io.Reader, o Options) (reader, error) {
	switch form {
	case VCD:
		var names []string
		for _, name := range []string{o.Signal, o.Current} {
			if name != "" {
				names = append(names, name)
			}
		}
		return newVCD(r, names)
	case WAV:
		return newWAV(r, o)
	}
	return newCSV(r, o)
}

// start chooses the channels of a reader.
func start(form Form, from reader, all []Channel, signal, current int) (*Capture, error) {
	info, err := from.choose(signal, current)
	if err != nil {
		return nil, err
	}
	info.Form, info.Channels, info.Signal, info.Current = form, all, all[signal].Name, ""
	if current >= 0 {
		info.Current = all[current].Name
	}
	return &Capture{info: info, from: from}, nil
}

// declaration is how a line of a dump begins. There are programs that write a line of their own before the first.
var declaration = regexp.MustCompile(`(?m)^[ \t\r]*\$[a-z]`)

// formOf tells the form by how the capture begins.
func formOf(t *tape) (Form, error) {
	if err := t.fill(peeked); err != nil {
		return 0, err
	}
	begin := t.kept
	for _, mark := range []string{"RIFF", "RIFX", "RF64"} {
		if bytes.HasPrefix(begin, []byte(mark)) {
			return WAV, nil
		}
	}
	text := bytes.TrimLeft(begin, " \t\r\n")
	switch {
	case len(text) == 0 && len(begin) < peeked:
		return 0, &SyntaxError{Byte: int64(len(begin)), Want: "a value change dump, lines of comma-separated values, or a WAV file"}
	case declaration.Match(begin):
		return VCD, nil
	}
	line, _, _ := bytes.Cut(begin, []byte{'\n'})
	if at := bytes.IndexFunc(line, func(c rune) bool { return c < ' ' && !strings.ContainsRune("\t\r\n", c) || c == 0x7F }); at >= 0 {
		return 0, &SyntaxError{Byte: int64(at), Found: string(line[at : at+1]),
			Want: "text, of a value change dump, which begins with $, or of comma-separated values, or a WAV file that begins with RIFF"}
	}
	return CSV, nil
}

// chosen gives the channels that the options name, and of the current the one whose name says so; -1 for none.
func chosen(all []Channel, o Options) (signal, current int, err error) {
	signal, current = -1, -1
	if len(all) == 0 && o.Signal == "" && o.Current == "" {
		return 0, 0, errors.New("the capture has no channels")
	}
	if o.Signal != "" {
		if signal, err = named(all, o.Signal); err != nil {
			return 0, 0, err
		}
	}
	if o.Current != "" {
		if current, err = named(all, o.Current); err != nil {
			return 0, 0, err
		}
		if len(all) == 1 || signal == current {
			return 0, 0, fmt.Errorf("channel %q can't have both the signal and the current%s", all[current].Name, among(all))
		}
		return signal, current, nil
	}
	for i, c := range all {
		if i != signal && len(all) > 1 && saysCurrent(c.Name) {
			return signal, i, nil
		}
	}
	return signal, current, nil
}

// named finds a channel by its name, or by the last part of it where no other has that.
func named(all []Channel, name string) (int, error) {
	found, whole, parts := -1, 0, 0
	for i, c := range all {
		switch {
		case c.Name == name:
			if whole++; whole == 1 {
				found = i
			}
		case lastPart(c.Name) == name:
			if parts++; parts == 1 && whole == 0 {
				found = i
			}
		}
	}
	switch {
	case whole > 1, whole == 0 && parts > 1:
		return 0, fmt.Errorf("more than one channel is named %q: name one in full%s", name, among(all))
	case found < 0:
		return 0, fmt.Errorf("the capture has no channel %q%s", name, among(all))
	}
	return found, nil
}

func lastPart(name string) string { return name[strings.LastIndexByte(name, '.')+1:] }

// mostListed is how many channels an error lists.
const mostListed = 12

// among lists the channels that there are, for an error.
func among(all []Channel) string {
	var b strings.Builder
	for i, c := range all {
		if i == mostListed {
			fmt.Fprintf(&b, " and %d more", len(all)-i)
			break
		}
		if i == 0 {
			b.WriteString("; there are ")
		} else {
			b.WriteString(", ")
		}
		fmt.Fprintf(&b, "%q", c.Name)
	}
	return b.String()
}

// saysCurrent reports whether the name of a channel says that it is the track's current, or an acknowledgement.
func saysCurrent(name string) bool {
	name = strings.ToLower(lastPart(name))
	for word := range strings.FieldsFuncSeq(name, func(c rune) bool { return c < 'a' || c > 'z' }) {
		if word == "ack" || word == "ma" {
			return true
		}
	}
	return strings.Contains(name, "current")
}

// candidates are the channels that may have the signal, one at the least.
func candidates(all []Channel, current int) []int {
	var some []int
	for i := range all {
		if i != current {
			some = append(some, i)
		}
	}
	return some
}

// find finds the candidate with the signal: the one with the most packets at the beginning of the capture; where none has any, with the
// most good bits; or else, as the signal may be late, with the most crossings.
func find(form Form, t *tape, o Options, all []Channel, candidates []int) (int, error) {
	const ask = ": name the channel with the signal"
	if err := t.fill(mostTape); err != nil {
		return 0, err
	}
	if t.lost {
		return 0, fmt.Errorf("the capture has %d channels, and more than %d bytes before the first of what they hold%s%s",
			len(all), mostTape, ask, among(all))
	}
	var from reader
	var refused error
	var most score
	best, tried := -1, 0
	for _, i := range candidates {
		if from == nil {
			var err error
			if from, err = newReader(form, bytes.NewReader(t.kept), o); err != nil {
				return 0, err
			}
		}
		c, err := start(form, from, all, i, -1)
		if err != nil {
			refused = err
			continue
		}
		from = nil
		if s := c.score(); s.better(most) {
			best, most = i, s
		}
		if tried++; tried == mostCandidates {
			break
		}
	}
	switch {
	case best >= 0:
		return best, nil
	case tried == 0:
		return 0, fmt.Errorf("no channel has a signal: %w", refused)
	}
	return 0, fmt.Errorf("none of %d channels changes in the first %d bytes of the capture%s%s", tried, len(t.kept), ask, among(all))
}

// score is how much of a signal a channel has.
type score struct{ packets, bits, crossings int }

func (s score) better(than score) bool {
	if s.packets != than.packets {
		return s.packets > than.packets
	}
	if s.bits != than.bits {
		return s.bits > than.bits
	}
	return s.crossings > than.crossings
}

// score reads a capture to its end, or to where it is cut.
func (c *Capture) score() (s score) {
	var b Batch
	var scanner wave.Scanner
	var bits wave.Bits
	for c.Next(&b) == nil {
		s.crossings += len(b.Halves)
		for _, half := range b.Halves {
			if bit := bits.Half(half); bit == wave.Zero || bit == wave.One {
				s.bits++
			}
		}
		for rest := b.Halves; len(rest) > 0; {
			n, found := scanner.Scan(rest)
			if rest = rest[n:]; found.Kind == wave.PacketFound {
				s.packets++
			}
		}
	}
	return s
}
