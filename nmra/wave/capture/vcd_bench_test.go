package capture

import (
	"bytes"
	"fmt"
	"io"
	"strconv"
	"testing"
	"time"
)

// BenchmarkVCD reads dumps in memory from Open to the end: of one wire, as WriteVCD writes it, and of nine. Finding packets is not in it.
func BenchmarkVCD(b *testing.B) {
	const size = 32 << 20
	for _, c := range []struct {
		name string
		text []byte
	}{{"one wire", written(b, size)}, {"one of nine", busy("1 ns", 1, size)}, {"one of nine, 1 ps", busy("1 ps", 1000, size)}} {
		b.Run(c.name, func(b *testing.B) {
			b.SetBytes(int64(len(c.text)))
			b.ReportAllocs()
			var batch Batch
			for b.Loop() {
				capture, err := Open(bytes.NewReader(c.text), Options{Signal: "rail"})
				for err == nil {
					err = capture.Next(&batch)
				}
				if err != io.EOF {
					b.Fatal(err)
				}
			}
		})
	}
}

// written is a dump of idle packets, of at least so many bytes.
func written(b *testing.B, size int) []byte {
	var text bytes.Buffer
	err := WriteVCD(&text, func(yield func(time.Duration) bool) {
		for text.Len() < size {
			for _, half := range idles(100) {
				if !yield(half) {
					return
				}
			}
		}
	})
	if err != nil {
		b.Fatal(err)
	}
	return text.Bytes()
}

// busy is a dump of ones, each half of 58 us, and of eight channels that change once between two crossings. So many units are 1 ns.
func busy(scale string, units int64, size int) []byte {
	text := fmt.Appendf(nil, "$timescale %s $end\n$var wire 1 ! rail $end\n", scale)
	for i := range 8 {
		text = fmt.Appendf(text, "$var wire 1 %c other%d $end\n", '"'+i, i)
	}
	text = append(text, "$enddefinitions $end\n"...)
	at := int64(0)
	change := func(later int64, n int, code byte) {
		at += later * units
		text = strconv.AppendInt(append(text, '#'), at, 10)
		text = append(text, '\n', '0'+byte(n%2), code, '\n')
	}
	for n := 0; len(text) < size; n++ {
		for i := range 8 {
			change(7_000, n, '"'+byte(i))
		}
		change(2_000, n, '!')
	}
	return text
}
