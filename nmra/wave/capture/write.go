package capture

import (
	"bufio"
	"fmt"
	"io"
	"iter"
	"strconv"
	"time"
)

// WriteVCD writes the halves as a value change dump (IEEE 1364-2005, clause 18): one wire, rail, in steps of 1 ns, so that the very
// same halves can be read back, but for the first: the signal begins without a crossing. It is 1 while the voltage between the rails has
// the sign that it begins with; which rail that is, a decoder can't know (S-9.1). The last change is the crossing that ends the last
// half. The same halves always give the same bytes. Errors are those of w, and that of a half which is not longer than nothing.
func WriteVCD(w io.Writer, halves iter.Seq[time.Duration]) error {
	const header = "$timescale 1 ns $end\n$scope module track $end\n$var wire 1 ! rail $end\n$upscope $end\n$enddefinitions $end\n" +
		"#0\n$dumpvars\n1!\n$end\n"
	return write(w, header, halves, func(line []byte, at time.Duration, level byte) []byte {
		line = strconv.AppendInt(append(line, '#'), int64(at), 10)
		return append(line, '\n', '0'+level, '!', '\n')
	})
}

// WriteCSV writes the halves as lines of time_us,rail: the level of the rail from that instant on, as in [WriteVCD]. Behind the whole
// microseconds there are three digits where they are not 0. Errors are those of WriteVCD.
func WriteCSV(w io.Writer, halves iter.Seq[time.Duration]) error {
	return write(w, "time_us,rail\n0,1\n", halves, func(line []byte, at time.Duration, level byte) []byte {
		return append(appendMicroseconds(line, at), ',', '0'+level, '\n')
	})
}

// appendMicroseconds appends a time in µs, with three digits behind the point where they are not 0.
func appendMicroseconds(line []byte, at time.Duration) []byte {
	line = strconv.AppendInt(line, int64(at/time.Microsecond), 10)
	if part := at % time.Microsecond; part != 0 {
		line = append(line, '.', '0'+byte(part/100), '0'+byte(part/10%10), '0'+byte(part%10))
	}
	return line
}

// write writes the header, at whose end the level is 1, and a line for each crossing that ends a half.
func write(w io.Writer, header string, halves iter.Seq[time.Duration], line func([]byte, time.Duration, byte) []byte) error {
	b := bufio.NewWriter(w)
	b.WriteString(header)
	at, level, n := time.Duration(0), byte(1), 0
	for half := range halves {
		n++
		if half <= 0 || at+half < at {
			return notAHalf(n, half, at)
		}
		at += half
		level = 1 - level
		if _, err := b.Write(line(b.AvailableBuffer(), at, level)); err != nil {
			return err
		}
	}
	return b.Flush()
}

// notAHalf is the error of a half, the n-th, that no signal can have.
func notAHalf(n int, half, at time.Duration) error {
	return fmt.Errorf("waveform: half %d is %v, %v from the beginning: want more than 0, and no more than 292 years in all", n, half, at)
}
