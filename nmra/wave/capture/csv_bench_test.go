package capture

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"strconv"
	"testing"
	"time"
)

// The same signal as lines of crossings, as samples of a level at 4 MHz among others, and as samples of a voltage at 1 MHz.
func BenchmarkCSV(b *testing.B) {
	const size = 16 << 20
	for name, text := range map[string][]byte{
		"crossings": crossingLines(size),
		"levels":    sampleLines(size, 250, func(level byte) string { return fmt.Sprintf("0,%c,1,0", level) }),
		"voltages": sampleLines(size, 1000, func(level byte) string {
			return strconv.FormatFloat(15*float64(2*int(level-'0')-1), 'f', 4, 64)
		}),
	} {
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

// crossingLines are lines of crossings, of at least so many bytes, as WriteCSV writes them.
func crossingLines(size int) []byte {
	text := []byte("time_us,rail\n0,1\n")
	at, level := time.Duration(0), byte('1')
	for half := idles(1); len(text) < size; {
		for _, half := range half {
			at += half + 125
			level ^= 1
			text = strconv.AppendFloat(text, float64(at)/1e3, 'f', 3, 64)
			text = append(text, ',', level, '\n')
		}
	}
	return text
}

// sampleLines are samples at an even interval in nanoseconds, of at least so many bytes.
func sampleLines(size, interval int, cells func(level byte) string) []byte {
	high, low := cells('1'), cells('0')
	text := []byte("time_s,other,rail,more,last\n")
	if !bytes.Contains([]byte(high), []byte{','}) {
		text = []byte("time_s,rail\n")
	}
	halves := idles(1)
	end, n, now := int(halves[0]), 0, high
	for at := 0; len(text) < size; at += interval {
		if at >= end {
			n = (n + 1) % len(halves)
			end += int(halves[n])
			if now == high {
				now = low
			} else {
				now = high
			}
		}
		text = strconv.AppendFloat(text, math.Round(float64(at))/1e9, 'f', 9, 64)
		text = append(append(append(text, ','), now...), '\n')
	}
	return text
}
