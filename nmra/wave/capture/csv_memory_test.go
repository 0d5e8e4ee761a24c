package capture

import (
	"errors"
	"io"
	"strings"
	"testing"
)

// Each row is lines that can't be held in memory, made while they are read, of size bytes.
func holdLargeLines(t *testing.T, size int64) {
	const head, lines = "time_us,rail,ma,note\n", "0,1,8,\n10,0,8,\n68,1,8,\n126,0,8,\n226,1,8,\n"
	text := strings.NewReader
	count := int(size / 64)
	signal, volts := Options{Signal: "rail"}, Options{Signal: "rail_v", Current: "ma"}
	const voltages = "time_us,rail_v,ma,note\n"
	const square = "%d00,15,8,\n%d10,15,8,\n%d20,15,8,\n%d30,15,8,\n%d40,15,8,\n%d50,-15,70,\n%d60,-15,70,\n%d70,-15,70,\n%d80,-15,70,\n%d90,-15,70,\n"
	for _, c := range []struct {
		name   string
		lines  io.Reader
		o      Options
		halves int
		err    string // it begins with this
	}{
		{"one line", times("y", size), signal, 0, "CSV, line 1: found \"yyy"},
		{"one line of cells", io.MultiReader(text("time_us"), times(",lamp", size)), signal, 0, "CSV, line 1: found \"time_us,lamp"},
		{"a comment", io.MultiReader(text("#"), times("y", size)), signal, 0, "CSV, line 1: found \"#yyy"},
		{"comments", io.MultiReader(times("# quay line\n", size/12*12), text(head+lines)), signal, 3, ""},
		{"empty lines", io.MultiReader(text(head), times("\n", size), text(lines), times("\r\n", size/2*2)), signal, 3, ""},
		{"a time", io.MultiReader(text(head+lines), times("9", size)), signal, 3, "CSV, line 7: found \"999"},
		{"a quote", io.MultiReader(text(head+lines+`"`), times("y\"\"", size)), signal, 3, "CSV, line 7: found \"\\\"y"},
		{"blanks", io.MultiReader(text(head+lines), times(" ", size)), signal, 3, "CSV, line 7: found \"   "},
		{"a note", io.MultiReader(text(head+lines+"300,0,8,"), times("y", size)), signal, 3, "CSV, line 7: found \"300,0"},
		{"one instant", io.MultiReader(text(head), times("0,1,8,\n0,0,70,\n", size/15*15)), signal, 0, ""},
		{"nothing but halves", &numbered{text: "%d.0,1,\n%d.5,0,\n", n: count}, Options{}, 2*count - 2, ""},
		{"nothing but current", io.MultiReader(text(head), &numbered{text: "%d00,1,8,\n%d50,1,70,\n", n: count}), signal, 0, ""},
		{"current, and voltages that rest", io.MultiReader(text(voltages), &numbered{text: "%d0,15,8,\n%d5,15,70,\n", n: count}), volts, 0, ""},
		{"voltages", io.MultiReader(text(voltages), &numbered{text: square, n: int(size) / len(square)}), volts, 2*(int(size)/len(square)) - 2, ""},
		{"voltages closer than a nanosecond", io.MultiReader(text(strings.Replace(voltages, "us", "ps", 1)),
			&numbered{text: "%d00,15,8,\n%d50,-15,70,\n", n: count}), volts, 0, ""},
		{"voltages, and then seconds between", io.MultiReader(text(strings.Replace(voltages, "us", "s", 1)),
			&numbered{text: "%de-6,15,8,\n%d.5e-6,-15,8,\n", n: lookedAt}, &numbered{text: "1%d0,15,8,\n1%d5,-15,70,\n", n: count}), volts, -1, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := weigh(c.lines)
			capture, err := Open(w, c.o)
			halves := 0
			var b Batch
			for err == nil {
				if err = capture.Next(&b); err == nil {
					halves += len(b.Halves)
				}
			}
			w.hold(t)
			if c.err == "" && !errors.Is(err, io.EOF) || !strings.HasPrefix(err.Error(), c.err) {
				t.Errorf("%.200v, want %s", err, c.err)
			}
			if c.halves >= 0 && halves != c.halves {
				t.Errorf("%d halves, want %d", halves, c.halves)
			}
		})
	}
}

func TestLargeLinesAreReadInLittleMemory(t *testing.T) { holdLargeLines(t, 24<<20) }

func TestProofThatAGigabyteOfLinesIsReadInLittleMemory(t *testing.T) {
	holdLargeLines(t, int64(campaign(1<<20, 1<<30)))
}
