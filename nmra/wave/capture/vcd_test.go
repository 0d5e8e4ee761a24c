package capture

import (
	"bytes"
	"io"
	"strconv"
	"testing"
	"time"

	"fettle/nmra/wave"
)

// dump is a dump of the halves, of at least so many bytes, as WriteVCD writes it.
func dump(b *testing.B, size int) []byte {
	var text bytes.Buffer
	err := wave.WriteVCD(&text, func(yield func(time.Duration) bool) {
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

func BenchmarkVCD(b *testing.B) {
	for name, text := range map[string][]byte{"one wire": dump(b, 32<<20), "one of nine": busy(32 << 20)} {
		b.Run(name, func(b *testing.B) {
			b.SetBytes(int64(len(text)))
			b.ReportAllocs()
			var batch Batch
			for b.Loop() {
				c, err := Open(bytes.NewReader(text), Options{Signal: "rail"})
				if err != nil {
					b.Fatal(err)
				}
				for err == nil {
					err = c.Next(&batch)
				}
				if err != io.EOF {
					b.Fatal(err)
				}
			}
		})
	}
}

// busy is a dump of a signal, and of eight channels that change at each of its crossings and between them.
func busy(size int) []byte {
	text := []byte("$timescale 1 ns $end\n$var wire 1 ! rail $end\n")
	for i := range 8 {
		text = append(text, "$var wire 1 "+string(rune('"'+i))+" other"+strconv.Itoa(i)+" $end\n"...)
	}
	text = append(text, "$enddefinitions $end\n"...)
	at := int64(0)
	for n := 0; len(text) < size; n++ {
		for i := range 8 {
			at += 7_000
			text = append(text, '#')
			text = strconv.AppendInt(text, at, 10)
			text = append(text, '\n', '0'+byte(n%2), '"'+byte(i), '\n')
		}
		at += 2_000
		text = append(text, '#')
		text = strconv.AppendInt(text, at, 10)
		text = append(text, '\n', '0'+byte(n%2), '!', '\n')
	}
	return text
}
