package capture

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/nmra/wave"

	"pgregory.net/rapid"
)

// packets are of every length, with the right check byte.
func packets() *rapid.Generator[nmra.Packet] {
	return rapid.Custom(func(t *rapid.T) nmra.Packet {
		b := rapid.SliceOfN(rapid.Byte(), nmra.MinBytes-1, nmra.MaxBytes-1).Draw(t, "bytes")
		var check byte
		for _, x := range b {
			check ^= x
		}
		p, err := nmra.NewPacket(append(b, check)...)
		if err != nil {
			t.Fatal(err)
		}
		return p
	})
}

func TestWaveformLevelsChangeAtEachCrossing(t *testing.T) {
	halves := slices.Values([]time.Duration{58 * time.Microsecond, 58 * time.Microsecond, 100 * time.Microsecond, 9900 * time.Microsecond})
	var vcd, lines bytes.Buffer
	if err := errors.Join(WriteVCD(&vcd, halves), WriteCSV(&lines, halves)); err != nil {
		t.Fatal(err)
	}
	// IEEE 1364-2005, clause 18 (from memory): header commands closed by $end, #TIME, then the value and the code of the wire.
	const wantVCD = `$timescale 1 ns $end
$scope module track $end
$var wire 1 ! rail $end
$upscope $end
$enddefinitions $end
#0
$dumpvars
1!
$end
#58000
0!
#116000
1!
#216000
0!
#10116000
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
type crossing struct {
	at    time.Duration
	level int
}

func readCSV(t *rapid.T, text string) []crossing {
	records, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil || len(records) < 2 {
		t.Fatalf("%d lines: %v", len(records), err)
	}
	var all []crossing
	for _, record := range records[1:] {
		at, err1 := time.ParseDuration(record[0] + "us")
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
	at := time.Duration(-1)
	for _, word := range strings.Fields(changes) {
		var level int
		if _, err := fmt.Sscanf(word, "#%d", (*int64)(&at)); err == nil {
			continue
		}
		if _, err := fmt.Sscanf(word, "%1d!", &level); err == nil {
			all = append(all, crossing{at, level})
		}
	}
	return all
}

func TestTheSameHalvesComeBackFromAWaveformToTheNanosecond(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		halves := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) time.Duration {
			return time.Duration(rapid.Int64Range(1, int64(20_000_000)).Draw(t, "half"))
		}), 1, 50).Draw(t, "halves")
		if rapid.Bool().Draw(t, "of a packet") {
			halves = wave.Sender{}.Append(nil, packets().Draw(t, "packet"))
		}
		var vcd, again, lines bytes.Buffer
		all := slices.Values(halves)
		if err := errors.Join(WriteVCD(&vcd, all), WriteVCD(&again, all), WriteCSV(&lines, all)); err != nil {
			t.Fatal(err)
		}
		if vcd.String() != again.String() {
			t.Fatal("the same packet gave two waveforms")
		}
		for form, got := range map[string][]crossing{"VCD": readVCD(t, vcd.String()), "CSV": readCSV(t, lines.String())} {
			want := crossing{0, 1}
			for n := range len(halves) + 1 {
				if n >= len(got) || got[n] != want {
					t.Fatalf("%s of %v: %v, want %v in place %d", form, halves, got, want, n)
				}
				if n < len(halves) {
					want = crossing{want.at + halves[n], 1 - want.level}
				}
			}
			if len(got) != len(halves)+1 {
				t.Fatalf("%s: %d crossings of %d halves", form, len(got), len(halves))
			}
		}
	})
}

func TestNoWaveformRunsBackwards(t *testing.T) {
	for _, halves := range [][]time.Duration{{nmra.HalfOne, 0}, {nmra.HalfOne, -1}, {nmra.HalfOne, math.MaxInt64}} {
		for _, write := range []func(io.Writer, iter.Seq[time.Duration]) error{WriteVCD, WriteCSV} {
			if err := write(io.Discard, slices.Values(halves)); err == nil || !strings.Contains(err.Error(), "half 2 is "+halves[1].String()) {
				t.Errorf("%v: %v, want an error with the place and the half", halves, err)
			}
		}
	}
}

// disk takes so many bytes and then none.
type disk int

func (d *disk) Write(b []byte) (int, error) {
	if int(*d) < len(b) {
		return 0, errDiskFull
	}
	*d -= disk(len(b))
	return len(b), nil
}

var errDiskFull = errors.New("no room left")

func TestWritingEndsWithTheFirstError(t *testing.T) {
	endless := func(yield func(time.Duration) bool) {
		for yield(nmra.HalfOne) {
		}
	}
	short := slices.Values(idles(1))
	for _, write := range []func(io.Writer, iter.Seq[time.Duration]) error{WriteVCD, WriteCSV} {
		for _, room := range []disk{0, 4096} {
			if err := write(&room, endless); !errors.Is(err, errDiskFull) {
				t.Errorf("endless: %v, want %v", err, errDiskFull)
			}
		}
		if err := write(new(disk), short); !errors.Is(err, errDiskFull) {
			t.Errorf("one packet: %v, want %v", err, errDiskFull)
		}
	}
}
