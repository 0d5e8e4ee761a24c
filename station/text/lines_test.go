package text

import (
	"bytes"
	"strings"
	"testing"
)

// cut gives all lines, and "!" for each that is too long.
func cut(l *lines, s string) []string {
	var all []string
	for i := range len(s) {
		line, ok, err := l.take(s[i])
		if err != nil {
			all = append(all, "!")
		} else if ok {
			all = append(all, string(line))
		}
	}
	return all
}

func TestLinesAreCutAtTheirEndsWhateverStandsBetween(t *testing.T) {
	for _, c := range []struct {
		start, end, in, want string
	}{
		{"", "\r\n", "aye\r\nnay\r\nhal", "aye,nay"},
		{"", "\n", "aye\r\n\r\n\nnay\n", "aye,nay"},
		{"", "\r", "aye\r\nnay\r\n", "aye,nay"},
		{"", "\r\n", "a\rb\nc\r\n", "a\rb\nc"},
		{"\x02", "\x03", "noise\x02aye\x03noise\x02nay\x03", "aye,nay"},
		{"\x02", "\x03", "\x02half\x02aye\x03lone\x03", "aye"},
		{"<<", ">>", "<<<a>>><<>><<b>>", "a,b"},
		{"", "\r\n", "0123456789\r\n01234567890\r\nx\r\n", "0123456789,!,x"},
		{"", "\n", "\x00\xff\n", "\x00\xff"},
		{"", "\r", "\n0123456789\r\n0123456789\r", "0123456789,0123456789"},
		{"", "aa", "baac", "b"},
	} {
		l := &lines{start: []byte(c.start), end: []byte(c.end), longest: 10}
		if got := strings.Join(cut(l, c.in), ","); got != c.want {
			t.Errorf("%q: %q, want %q", c.in, got, c.want)
		}
	}
}

func FuzzNoLineIsLongerThanTheLongest(f *testing.F) {
	f.Add([]byte("\x02"), []byte("\r\n"), []byte("aye\r\nnay"), 10)
	f.Add([]byte(""), []byte("\n"), bytes.Repeat([]byte("x"), 100), 3)
	f.Fuzz(func(t *testing.T, start, end, in []byte, longest int) {
		longest = 1 + max(longest, -longest)&0xFF
		if len(end) == 0 || len(end) > 10 || len(start) > 10 {
			return
		}
		l := &lines{start: start, end: end, longest: longest}
		for _, b := range in {
			line, ok, err := l.take(b)
			if len(line) > longest || ok && len(line) == 0 || ok && err != nil || ok && bytes.Contains(line, end) {
				t.Fatalf("%q after %q: %v, %v", line, in, ok, err)
			}
			if kept := longest + len(start) + len(end) + strays; len(l.line) >= kept {
				t.Fatalf("%d bytes are kept, want fewer than %d", len(l.line), kept)
			}
		}
	})
}
