package wave

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"iter"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"fettle/nmra"

	"pgregory.net/rapid"
)

func published(t testing.TB) nmra.Packet {
	t.Helper()
	p, err := nmra.NewPacket(0x37, 0x74, 0x43)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestHalvesOfThePublishedPacket(t *testing.T) {
	// NMRA S-9.2 (July 2004), the figure of a transmitted packet; NMRA S-9.1 (2020): halves of 58 us make a one, of 100 us a zero.
	const figure = "111111111111 0 00110111 0 01110100 0 01000011 1"
	var want []time.Duration
	for _, c := range strings.ReplaceAll(figure, " ", "") {
		half := 100 * time.Microsecond
		if c == '1' {
			half = 58 * time.Microsecond
		}
		want = append(want, half, half)
	}
	if got := slices.Collect(Halves(published(t), 12)); !slices.Equal(got, want) {
		t.Errorf("halves %v, want %v", got, want)
	}
}

func TestHalvesStopWhereTheReaderDoes(t *testing.T) {
	for n := range 84 {
		count := 0
		for range Halves(published(t), nmra.Preamble) {
			if count++; count > n {
				break
			}
		}
		if count != n+1 {
			t.Errorf("%d halves, want %d", count, n+1)
		}
	}
}

func TestWaveformLevelsChangeAtEachCrossing(t *testing.T) {
	halves := slices.Values([]time.Duration{58 * time.Microsecond, 58 * time.Microsecond, 100 * time.Microsecond, 9900 * time.Microsecond})
	var vcd, lines bytes.Buffer
	if err := errors.Join(WriteVCD(&vcd, halves), WriteCSV(&lines, halves)); err != nil {
		t.Fatal(err)
	}
	// IEEE 1364-2005, clause 18 (from memory): header commands closed by $end, #TIME, then the value and the code of the wire.
	const wantVCD = `$timescale 1 us $end
$scope module track $end
$var wire 1 ! rail $end
$upscope $end
$enddefinitions $end
#0
$dumpvars
1!
$end
#58
0!
#116
1!
#216
0!
#10116
1!
`
	if vcd.String() != wantVCD {
		t.Errorf("VCD:\n%s\nwant:\n%s", vcd.String(), wantVCD)
	}
	const wantCSV = "time_us,rail\n0,1\n58,0\n116,1\n216,0\n10116,1\n"
	if lines.String() != wantCSV {
		t.Errorf("CSV:\n%s\nwant:\n%s", lines.String(), wantCSV)
	}
}

// crossing is one line of a waveform.
type crossing struct{ microseconds, level int }

func readCSV(t *rapid.T, text string) []crossing {
	records, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil || len(records) < 2 {
		t.Fatalf("%d lines: %v", len(records), err)
	}
	var all []crossing
	for _, record := range records[1:] {
		at, err1 := strconv.Atoi(record[0])
		level, err2 := strconv.Atoi(record[1])
		if err := errors.Join(err1, err2); err != nil {
			t.Fatal(err)
		}
		all = append(all, crossing{at, level})
	}
	return all
}

func readVCD(t *rapid.T, text string) []crossing {
	_, changes, ok := strings.Cut(text, "$enddefinitions $end\n")
	if !ok {
		t.Fatalf("no end of the definitions in %q", text)
	}
	var all []crossing
	at := -1
	for _, word := range strings.Fields(changes) {
		var level int
		if _, err := fmt.Sscanf(word, "#%d", &at); err == nil {
			continue
		}
		if _, err := fmt.Sscanf(word, "%1d!", &level); err == nil {
			all = append(all, crossing{at, level})
		}
	}
	return all
}

// packetsOf takes a waveform for what a decoder would: it knows crossings alone. A half up to 64 us is one of a one, from 90 us of a
// zero (NMRA S-9.1, 2020).
func packetsOf(t *rapid.T, all []crossing) []nmra.Packet {
	var r Receiver
	var got []nmra.Packet
	for n := 2; n < len(all); n += 2 {
		first, second := all[n-1].microseconds-all[n-2].microseconds, all[n].microseconds-all[n-1].microseconds
		if all[n].level == all[n-1].level || all[n].level != all[0].level || (first <= 64) != (second <= 64) {
			t.Fatalf("line %d: level %d at %d us, halves of %d and %d us", n, all[n].level, all[n].microseconds, first, second)
		}
		if r.Bit(first <= 64) == Complete {
			got = append(got, r.Packet())
		}
	}
	return got
}

func TestPacketComesBackFromItsWaveform(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, preamble := packets().Draw(t, "packet"), rapid.IntRange(10, 30).Draw(t, "preamble")
		var vcd, again, lines bytes.Buffer
		halves := Halves(p, preamble)
		if err := errors.Join(WriteVCD(&vcd, halves), WriteVCD(&again, halves), WriteCSV(&lines, halves)); err != nil {
			t.Fatal(err)
		}
		if vcd.String() != again.String() {
			t.Fatal("the same packet gave two waveforms")
		}
		fromVCD, fromCSV := readVCD(t, vcd.String()), readCSV(t, lines.String())
		if !slices.Equal(fromVCD, fromCSV) {
			t.Fatalf("VCD %v, CSV %v", fromVCD, fromCSV)
		}
		if got := packetsOf(t, fromCSV); !slices.Equal(got, []nmra.Packet{p}) {
			t.Fatalf("%v came back from the waveform of %v", got, p)
		}
		if last := fromCSV[len(fromCSV)-1].microseconds; int64(last) != p.Airtime(preamble).Microseconds() {
			t.Fatalf("the waveform ends at %d us, the packet after %v", last, p.Airtime(preamble))
		}
	})
}

// full takes so many bytes and then none.
type full int

func (f *full) Write(b []byte) (int, error) {
	if int(*f) < len(b) {
		return 0, errFull
	}
	*f -= full(len(b))
	return len(b), nil
}

var errFull = errors.New("no room left")

func TestWritingEndsWithTheFirstError(t *testing.T) {
	endless := func(yield func(time.Duration) bool) {
		for yield(nmra.HalfOne) {
		}
	}
	short := Halves(published(t), nmra.Preamble)
	for _, write := range []func(io.Writer, iter.Seq[time.Duration]) error{WriteVCD, WriteCSV} {
		for _, room := range []full{0, 4096} {
			if err := write(&room, endless); !errors.Is(err, errFull) {
				t.Errorf("endless: %v, want %v", err, errFull)
			}
		}
		if err := write(new(full), short); !errors.Is(err, errFull) {
			t.Errorf("one packet: %v, want %v", err, errFull)
		}
	}
}
