package main

import (
	"bytes"
	"context"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/creack/pty"

	"fettle/nmra"
	"fettle/nmra/wave"
	"fettle/nmra/wave/capture"
)

// printed runs the command, which has to end well with nothing to say, and gives what it printed.
func printed(t *testing.T, args ...string) *bytes.Buffer {
	t.Helper()
	var stdout, stderr bytes.Buffer
	if code := run(context.Background(), args, &stdout, &stderr); code != done || stderr.Len() > 0 {
		t.Fatalf("%v: status %d, %s", args, code, stderr.String())
	}
	return &stdout
}

// heard is all that is found in a waveform from its first crossing on.
func heard(t *testing.T, waveform io.Reader) (found []wave.Finding) {
	t.Helper()
	c, err := capture.Open(waveform, capture.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var scanner wave.Scanner
	note := func(f wave.Finding) {
		if f.Kind != wave.NothingFound {
			found = append(found, f)
		}
	}
	for batch := (capture.Batch{}); ; {
		if err := c.Next(&batch); err == io.EOF {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		for rest := batch.Halves; len(rest) > 0; {
			n, f := scanner.Scan(rest)
			rest = rest[n:]
			note(f)
		}
	}
	note(scanner.End())
	return found
}

// commandLines are packets of each kind of printing.
var commandLines = map[string][]string{
	"speed":     {"packet", "speed", "--address", "4203", "--long", "--steps", "128", "--step", "60", "--forward"},
	"reset":     {"packet", "reset"},
	"longest":   {"packet", "cv", "write", "--address", "4203", "--long", "--cv", "29", "--value", "6"},
	"service":   {"packet", "service", "write", "--cv", "29", "--value", "6"},
	"accessory": {"packet", "accessory", "--address", "5", "--output", "1", "--on"},
}

func preambleFor(name string) int {
	if name == "service" {
		return nmra.LongPreamble
	}
	return nmra.Preamble
}

func TestEveryWaveformHasItsPacketsAndNothingElse(t *testing.T) {
	for name, args := range commandLines {
		want, preamble := strings.TrimSpace(printed(t, args...).String()), preambleFor(name)
		for _, form := range waveforms {
			for _, more := range [][]string{nil, {"--stretch", "9900"}, {"--repeat", "3"}, {"--preamble", "10"}} {
				given := slices.Concat(args, []string{"--as", form}, more)
				times, ones := 1, preamble
				switch {
				case slices.Contains(more, "--repeat"):
					times = 3
				case slices.Contains(more, "--preamble"):
					ones = 10
				}
				found := heard(t, printed(t, given...))
				for n, f := range found {
					// The end bit of the packet before counts as a one of the preamble (NMRA S-9.2, July 2004, section A).
					if f.Kind != wave.PacketFound || f.Packet.String() != want || f.Preamble != ones+min(n, 1) {
						t.Errorf("%v: found %+v, want %s behind %d ones", given, f, want, ones)
					}
				}
				if len(found) != times {
					t.Errorf("%v: found %d packets, want %d", given, len(found), times)
				}
			}
		}
	}
}

func TestEveryFaultThatIsPrintedIsFoundUnderItsName(t *testing.T) {
	idle := "FF 00 FF"
	for name, args := range commandLines {
		for _, fault := range wave.Faults() {
			for _, form := range waveforms {
				given := slices.Concat(args, []string{"--as", form, "--fault", dashed(fault), "--repeat", "2", "--between", "1"})
				found := heard(t, printed(t, given...))
				good := len(found) == 5
				for n, f := range found {
					if n%2 == 0 {
						good = good && f.Kind == wave.PacketFound && f.Packet.String() == idle
					} else {
						good = good && f.Kind == wave.FaultFound && f.Fault == fault
					}
				}
				if !good {
					t.Errorf("%s: %v: found %+v, want the fault between idle packets", name, given, found)
				}
			}
			if !fault.InBits() {
				continue
			}
			// Bits have no more than was asked for: they are sent between two packets here.
			around := wave.Sender{Preamble: preambleFor(name)}
			p, err := nmra.ReadPacket(idle)
			if err != nil {
				t.Fatal(err)
			}
			halves := around.Append(nil, p)
			given := slices.Concat(args, []string{"--as", "bits", "--fault", dashed(fault)})
			for _, bit := range printed(t, given...).String() {
				switch bit {
				case '0':
					halves = append(halves, nmra.HalfZero, nmra.HalfZero)
				case '1':
					halves = around.Ones(halves, 1)
				}
			}
			halves = around.Ones(around.Append(halves, p), 1)
			var waveform bytes.Buffer
			if err := capture.WriteVCD(&waveform, slices.Values(halves)); err != nil {
				t.Fatal(err)
			}
			if found := heard(t, &waveform); len(found) != 3 || found[1].Fault != fault {
				t.Errorf("%s: %v: found %+v, want the fault between idle packets", name, given, found)
			}
		}
	}
}

func TestASequenceIsHeardWholeAndAFaultLeavesItsResets(t *testing.T) {
	write, err := nmra.Access{Mode: nmra.Paged, Operation: nmra.Write, CV: 65, Value: 3}.Sequence()
	if err != nil {
		t.Fatal(err)
	}
	var want []nmra.Packet
	for _, step := range write {
		for range step.Times {
			want = append(want, step.Packet)
		}
	}
	args := []string{"packet", "sequence", "write", "--mode", "paged", "--cv", "65", "--value", "3", "--as"}
	for _, form := range waveforms {
		var got []nmra.Packet
		for _, f := range heard(t, printed(t, append(args, form)...)) {
			// NMRA S-9.2.3 (July 2012), section E: at least 20 ones before each packet.
			if f.Kind != wave.PacketFound || f.Preamble < 20 {
				t.Errorf("%s: found %+v", form, f)
			}
			got = append(got, f.Packet)
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s: found %v, want %v", form, got, want)
		}
		for _, fault := range wave.Faults() {
			resets, faults := 0, 0
			for _, f := range heard(t, printed(t, append(args, form, "--fault", dashed(fault))...)) {
				switch {
				case f.Kind == wave.FaultFound && f.Fault == fault:
					faults++
				case f.Kind == wave.PacketFound && f.Packet == resetPacket:
					resets++
				case f.Kind == wave.PacketFound && fault == wave.ShortPreamble: // see below
				case f.Kind != wave.PacketFound || f.Packet.String() != "FF 00 FF":
					t.Errorf("%s, %v: found %+v", form, fault, f)
				}
			}
			// Behind one preamble that is short a receiver waits for ten ones: it takes none of those that follow for a preamble that is short,
			// and takes for a preamble the ones that end a byte, the end bit, and the eight that are sent.
			if resets != 18 || fault != wave.ShortPreamble && faults != 10 || faults < 2 {
				t.Errorf("%s, %v: %d resets and %d times the fault", form, fault, resets, faults)
			}
		}
	}
}

func TestAWAVFileIsNotPrintedOnATerminal(t *testing.T) {
	keyboard, screen, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer keyboard.Close()
	defer screen.Close()
	var stderr strings.Builder
	code := run(context.Background(), []string{"packet", "cv", "write", "--address", "3", "--cv", "1", "--value", "5", "--as", "wav"}, screen, &stderr)
	said := strings.Join(strings.Fields(stderr.String()), " ")
	if code != badUse || !strings.Contains(said, "standard output is a terminal, and a WAV file is no text: want it in a file, as fettle packet cv write ... --as wav > packet.wav") {
		t.Errorf("status %d, %s", code, said)
	}
	file, err := os.Create(filepath.Join(t.TempDir(), "packet.wav"))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	if code := run(context.Background(), []string{"packet", "reset", "--as", "wav"}, file, &stderr); code != done {
		t.Fatalf("status %d, %s", code, stderr.String())
	}
	// NMRA S-9.1 (2020), nominal times: half a one, 14 ones, 27 zeros, an end bit and a one are 7314 us; at 192000 Hz 1404.3 samples.
	if size, err := file.Seek(0, io.SeekEnd); err != nil || size != 44+2*1405 {
		t.Errorf("%s bytes, %v, want %d", strconv.FormatInt(size, 10), err, 44+2*1405)
	}
}
