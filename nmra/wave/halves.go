package wave

import (
	"bufio"
	"fmt"
	"io"
	"iter"
	"time"

	"fettle/nmra"
)

// Halves gives the half-bits of a packet behind so many preamble ones, at the nominal timing of S-9.1: two for each bit. The
// signal must go on for at least 26 µs after the last (S-9.2), so that a decoder sees where it ends.
func Halves(p nmra.Packet, preamble int) iter.Seq[time.Duration] {
	return func(yield func(time.Duration) bool) {
		for one := range p.Bits(preamble) {
			for range 2 {
				if !yield(nmra.BitTime(one) / 2) {
					return
				}
			}
		}
	}
}

// levels gives the level of one rail from each instant on: 1 at the beginning, then the other one at the end of each half.
func levels(halves iter.Seq[time.Duration]) iter.Seq2[int64, int] {
	return func(yield func(microseconds int64, level int) bool) {
		at, level := time.Duration(0), 1
		if !yield(0, level) {
			return
		}
		for half := range halves {
			at += half
			level = 1 - level
			if !yield(at.Round(time.Microsecond).Microseconds(), level) {
				return
			}
		}
	}
}

// WriteVCD writes the halves as a value change dump (IEEE 1364-2005, clause 18): one wire, rail, in steps of 1 µs. It is 1
// while the voltage between the rails has the sign that it begins with; which rail that is, a decoder can't know (S-9.1). The
// last change is the crossing that ends the last half. The same halves always give the same bytes. Errors are those of w.
func WriteVCD(w io.Writer, halves iter.Seq[time.Duration]) error {
	b := bufio.NewWriter(w)
	b.WriteString("$timescale 1 us $end\n$scope module track $end\n$var wire 1 ! rail $end\n$upscope $end\n$enddefinitions $end\n")
	format := "#%d\n$dumpvars\n%d!\n$end\n"
	for microseconds, level := range levels(halves) {
		if _, err := fmt.Fprintf(b, format, microseconds, level); err != nil {
			return err
		}
		format = "#%d\n%d!\n"
	}
	return b.Flush()
}

// WriteCSV writes the halves as lines of time_us,rail: the level of the rail from that instant on, as in
// [WriteVCD]. Errors are those of w.
func WriteCSV(w io.Writer, halves iter.Seq[time.Duration]) error {
	b := bufio.NewWriter(w)
	b.WriteString("time_us,rail\n")
	for microseconds, level := range levels(halves) {
		if _, err := fmt.Fprintf(b, "%d,%d\n", microseconds, level); err != nil {
			return err
		}
	}
	return b.Flush()
}
