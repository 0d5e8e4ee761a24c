package capture

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"
)

// repeated reads the same text over and over.
type repeated struct {
	text string
	at   int
}

func (r *repeated) Read(p []byte) (n int, err error) {
	for n < len(p) {
		k := copy(p[n:], r.text[r.at:])
		n, r.at = n+k, (r.at+k)%len(r.text)
	}
	return n, nil
}

// times reads a text so many bytes long.
func times(text string, bytes int64) io.Reader {
	return io.LimitReader(&repeated{text: strings.Repeat(text, 1000)}, bytes)
}

// numbered reads so many texts, each with its number in the places of %d.
type numbered struct {
	text  string
	n     int
	every int // from 0
	room  bytes.Buffer
}

func (r *numbered) Read(p []byte) (int, error) {
	for r.every < r.n && r.room.Len() < len(p) {
		r.room.WriteString(strings.ReplaceAll(r.text, "%d", fmt.Sprint(r.every)))
		r.every++
	}
	return r.room.Read(p)
}

// weighed looks at the heap each time that so many bytes more have been read.
type weighed struct {
	from        io.Reader
	due         int64
	least, most uint64 // bytes of the heap in use, at the beginning and since
}

func weigh(from io.Reader) *weighed {
	runtime.GC()
	w := &weighed{from: from}
	w.look()
	w.least = w.most
	return w
}

func (w *weighed) look() {
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	w.most = max(w.most, m.HeapInuse)
}

func (w *weighed) Read(p []byte) (int, error) {
	n, err := w.from.Read(p)
	if w.due -= int64(n); w.due <= 0 || err != nil {
		w.due = 2 << 20
		w.look()
	}
	return n, err
}

// hold fails where the heap has grown by more than 16 MiB, rubbish not yet collected included: our own bound.
func (w *weighed) hold(t *testing.T) {
	t.Helper()
	w.look()
	if grown := w.most - w.least; grown > 16<<20 {
		t.Errorf("the heap grew by %d bytes", grown)
	}
}

// Each row is a dump that can't be held in memory, made while it is read: of size bytes or a part of them, or with so many variables.
func holdLargeDumps(t *testing.T, size int64, variables int) {
	const changes = "#0 1! #58 0! #116 1! #216 0!"
	part := size / 4
	text := strings.NewReader
	signal := Options{Signal: "rail"}
	for _, c := range []struct {
		name string
		dump io.Reader
		o    Options
		err  string // it begins with this
	}{
		{"a comment of one word", io.MultiReader(text(head+"$comment "), times("y", size), text(" $end "+changes)), Options{}, ""},
		{"a comment of one line", io.MultiReader(text(head+"$comment "), times("fish van ", part), text(" $end "+changes)), signal, ""},
		{"a comment before all", io.MultiReader(text("$comment "), times("yard ", part), text(" $end "+head+changes)), Options{}, ""},
		{"a word", io.MultiReader(text(head+changes+" "), times("y", part)), signal, "VCD, line 5: found \"yyy"},
		{"a time", io.MultiReader(text(head+changes+" #"), times("0", part)), signal, "VCD, line 5: found \"#00"},
		{"a value", io.MultiReader(text(head+changes+" b"), times("1", part)), signal, "VCD, line 5: found \"b11"},
		{"a number", io.MultiReader(text(head+changes+" r"), times("1", part)), signal, "VCD, line 5: found \"r11"},
		{"a code", io.MultiReader(text(head+changes+" 1"), times("!", part)), signal, "VCD, line 5: found \"1!!"},
		{"a gap", io.MultiReader(text(head), times(" ", part), text(changes)), signal, ""},
		{"lines", io.MultiReader(text(head), times("\n", part), text(changes)), signal, ""},
		{"others' changes, on one line", io.MultiReader(text(head+"#0 "), times("1% 0% b101 & r2.5 ' ", part/20*20), text(changes)), signal, ""},
		{"a name", io.MultiReader(text("$var wire 1 % "), times("y", part)), signal, "VCD, line 1: found \"yyy"},
		{"an index", io.MultiReader(text("$var wire 1 % berth "), times("[0] ", part)), signal, "VCD, line 1: found \"[0]"},
		{"a timescale", io.MultiReader(text("$timescale "), times("1 ", part)), signal, "VCD, line 1: found \"111"},
		{"a scope", io.MultiReader(text("$scope module "), times("y", part)), signal, "VCD, line 1: found \"yyy"},
		{"scopes", times("$scope module quay $end ", part), signal, "VCD, line 1: found \"quay"},
		{"variables", io.MultiReader(&numbered{text: "$var wire 1 v%d siding%d $end ", n: variables}, text(head+changes)), signal, ""},
		{"variables, none named", io.MultiReader(&numbered{text: "$var wire 1 v%d siding%d $end ", n: variables}, text(head)), Options{},
			"VCD: more than 4096 variables: name the one with the signal"},
		{"variables of one name", io.MultiReader(&numbered{text: "$var wire 1 v%d rail $end ", n: variables}, text(head)), signal,
			`more than one channel is named "rail"`},
		{"long variables", io.MultiReader(text("$scope module "+strings.Repeat("y", 900)+" $end "),
			&numbered{text: "$var wire 1 v%d siding%d $end ", n: variables}, text("$upscope $end "+head+changes)), signal, ""},
		{"currents and no signal", io.MultiReader(text(head), &numbered{text: "#%d r%d $\n", n: int(part / 64)}), signal, "none"},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := weigh(c.dump)
			capture, err := Open(w, c.o)
			var halves []time.Duration
			var b Batch
			for err == nil {
				if err = capture.Next(&b); err == nil {
					halves = append(halves, b.Halves...)
				}
			}
			w.hold(t)
			switch {
			case c.err == "none":
				if err != io.EOF || len(halves) > 0 {
					t.Errorf("%v (%v), want none", halves, err)
				}
			case c.err != "":
				if !strings.HasPrefix(err.Error(), c.err) {
					t.Errorf("%v, want %s", err, c.err)
				}
			case !errors.Is(err, io.EOF) || !slices.Equal(halves, micros(58, 100)):
				t.Errorf("%v (%v), want %v", halves, err, micros(58, 100))
			}
		})
	}
}

func TestALargeDumpIsReadInLittleMemory(t *testing.T) { holdLargeDumps(t, 64<<20, 300_000) }

func TestProofThatADumpOfAGigabyteIsReadInLittleMemory(t *testing.T) {
	holdLargeDumps(t, int64(campaign(1<<20, 1<<30)), campaign(10_000, 1_000_000))
}
