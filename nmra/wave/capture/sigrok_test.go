package capture

import (
	"bytes"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/nmra/wave"
)

// A reader of captures that is not ours: sigrok-cli of Debian 12 (0.7.2), whose decoder "timing" gives the time between edges.
func sigrokWidths(t testing.TB, file string) []time.Duration {
	command := exec.Command("sigrok-cli", "-I", "vcd", "-i", file, "-P", "timing:data=rail", "-A", "timing=time")
	text, err := command.Output()
	if err != nil {
		t.Fatalf("%v: %v (make tools installs sigrok-cli)", command, err)
	}
	var widths []time.Duration
	for _, found := range sigrokWidth.FindAllSubmatch(text, -1) {
		number, err := strconv.ParseFloat(string(found[1]), 64)
		if err != nil {
			t.Fatal(err)
		}
		unit := time.Microsecond
		if string(found[2]) == "ms" {
			unit = time.Millisecond
		}
		widths = append(widths, time.Duration(number*float64(unit)+0.5))
	}
	return widths
}

var sigrokWidth = regexp.MustCompile(`(?m)^timing-1: ([0-9.]+) (μs|ms) `)

func writeDump(t testing.TB, text []byte) string {
	file := filepath.Join(t.TempDir(), "rail.vcd")
	if err := os.WriteFile(file, text, 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

func TestAnotherReaderOfOurDumpsSeesTheHalvesThatWeSee(t *testing.T) {
	// NMRA S-9.2 (July 2004), the figure of a transmitted packet; the limits of S-9.1 (2020) for what is sent.
	packet, err := nmra.NewPacket(0x37, 0x74, 0x43)
	if err != nil {
		t.Fatal(err)
	}
	signal := wave.Sender{}.Append(nil, packet)
	signal = wave.Sender{Stretch: 9900 * time.Microsecond}.Append(signal, packet)
	signal = append(signal, 55*time.Microsecond, 55*time.Microsecond, 60_999, 60_999, 95_001, 95_001)
	for _, fault := range wave.Faults() {
		signal = wave.Sender{Fault: fault}.Append(signal, packet)
	}
	var text bytes.Buffer
	if err := WriteVCD(&text, slices.Values(signal)); err != nil {
		t.Fatal(err)
	}
	theirs := sigrokWidths(t, writeDump(t, text.Bytes()))
	c, err := Open(&text, Options{})
	if err != nil {
		t.Fatal(err)
	}
	var ours []time.Duration
	for b := (Batch{}); ; ours = append(ours, b.Halves...) {
		if err := c.Next(&b); err == io.EOF {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
	if len(ours) != len(signal)-1 || len(theirs) != len(ours)-1 { // we miss the first, which begins without a crossing; they the last, too
		t.Fatalf("of %d halves we see %d, they %d", len(signal), len(ours), len(theirs))
	}
	for i, half := range ours[:len(theirs)] {
		rounding := time.Nanosecond // they print three digits behind the point
		if half >= time.Millisecond {
			rounding = time.Microsecond
		}
		if (half - theirs[i]).Abs() > rounding {
			t.Errorf("half %d is %v to us, %v to them", i, half, theirs[i])
		}
	}
}

// The same file, in steps of 1 µs as a logic analyser has them, which is kind to a reader that takes a sample for each step.
func BenchmarkDumpBesideAnotherReader(b *testing.B) {
	text := []byte("$timescale 1 us $end\n$var wire 1 ! rail $end\n$enddefinitions $end\n#0\n1!\n")
	at, edges := time.Duration(0), 0
	for level := byte(0); len(text) < 4<<20; edges++ {
		at += nmra.HalfOne
		text = append(strconv.AppendInt(append(text, '#'), at.Microseconds(), 10), '\n', '0'+level, '!', '\n')
		level = 1 - level
	}
	file := writeDump(b, text)
	var ours, theirs time.Duration
	var batch Batch
	for b.Loop() {
		begin := time.Now()
		f, err := os.Open(file)
		if err != nil {
			b.Fatal(err)
		}
		c, err := Open(f, Options{})
		var scanner wave.Scanner
		for err == nil {
			if err = c.Next(&batch); err == nil {
				scanner.Scan(batch.Halves)
			}
		}
		f.Close()
		if err != io.EOF {
			b.Fatal(err)
		}
		ours += time.Since(begin)
		begin = time.Now()
		if seen := len(sigrokWidths(b, file)); seen < edges-2 {
			b.Fatalf("they see %d halves of %d", seen, edges)
		}
		theirs += time.Since(begin)
	}
	b.ReportMetric(float64(theirs)/float64(ours), "times-as-fast")
}
