package capture

import (
	"bytes"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
)

func FuzzCSV(f *testing.F) {
	for _, c := range []struct{ text, signal, current string }{
		{"time_us,rail\n0,1\n58,0\n116,1\n", "", ""},
		{"time_s;volts;track current [mA]\r\n0,000001;-12,5;8\r\n3,0e-5;12,5;70\r\n", "", "track current [mA]"},
		{"# time [ms]\t\"rail \"\"1\"\"\"\tack\n0.5\t\"1\"\tTRUE\n.6\t0\tfalse\n", "", "ack"},
		{"\xEF\xBB\xBF; quay\n\nt/ps,lamp,rail,\n-1e9,0,0,\n99999999999999999999,1,1\n", "rail", ""},
		{"0.0,15\n1e-6,15\n2e-6,-15\n2e-6,-15\n1e-6,nan\n", "", ""},
		{"time_ns,\x1b[2J,rail_v\n9223372036854775807,1,1e9\n-9223372036854775808,0,-1e9", "rail_v", ""},
		{"\xFF\xFEt\x00", "", ""},
		{medley(8, false), "rail", "ack"},
		{medley(30, true), "", ""},
	} {
		f.Add(c.text, c.signal, c.current)
	}
	f.Fuzz(func(t *testing.T, text, signal, current string) {
		o := Options{Signal: signal, Current: current}
		hold(t, []byte(text), o)
		// Whatever it is, it is the same where it comes in other portions.
		want, err := read(strings.NewReader(text), o)
		got, again := read(sips{strings.NewReader(text), 7}, o)
		if fmt.Sprint(err) != fmt.Sprint(again) || !slices.Equal(want.halves, got.halves) || !slices.Equal(want.current, got.current) {
			t.Errorf("%v, %v (%v)\nin portions %v, %v (%v)", want.halves, want.current, err, got.halves, got.current, again)
		}
		// Nor does it matter how lines end.
		if !strings.ContainsAny(text, "\r") {
			got, again = read(bytes.NewReader(bytes.ReplaceAll([]byte(text), []byte("\n"), []byte("\r\n"))), o)
			if longest := slices.MaxFunc(strings.Split(text, "\n"), func(a, b string) int { return len(a) - len(b) }); len(longest) < longestLine &&
				(fmt.Sprint(err) != fmt.Sprint(again) || !slices.Equal(want.halves, got.halves)) {
				t.Errorf("%v (%v)\nwith CRLF %v (%v)", want.halves, err, got.halves, again)
			}
		}
	})
}

// read reads lines of values, whatever the form that they look like.
func read(r io.Reader, o Options) (all recorded, err error) {
	from, err := newCSV(r, o)
	if err != nil {
		return recorded{}, err
	}
	channels := from.channels()
	signal, current, err := chosen(channels, o)
	if err != nil {
		return recorded{}, err
	}
	c, err := start(CSV, from, channels, max(signal, 0), current)
	if err != nil {
		return recorded{}, err
	}
	err = all.follow(c)
	return all, err
}
