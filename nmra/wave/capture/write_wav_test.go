package capture

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"fettle/nmra/wave"

	"pgregory.net/rapid"
)

// lasting repeats a half until it has lasted so long.
func lasting(half, whole time.Duration) func(func(time.Duration) bool) {
	return func(yield func(time.Duration) bool) {
		for left := whole; left > 0; left -= half {
			if !yield(min(half, left)) {
				return
			}
		}
	}
}

func TestASampleIsTheMeanOverItsInterval(t *testing.T) {
	const rate = 100_000 // 10 us each
	// Our own choice: 60 % of full scale.
	const high = 19660
	for _, c := range []struct {
		halves []int // us
		want   []int16
	}{
		{[]int{20, 10}, []int16{high, high, -high}},
		{[]int{15, 20}, []int16{high, 0, -high, -high / 2}},
		{[]int{12, 8, 10}, []int16{high, -11796, high}}, // 2 us of the one and 8 us of the other
		{[]int{2, 2, 2}, []int16{3932}},                 // nothing behind the last half
		{nil, nil},
	} {
		var file bytes.Buffer
		if err := WriteWAV(&file, rate, slices.Values(micros(c.halves...))); err != nil {
			t.Fatal(err)
		}
		size := uint32(2 * len(c.want))
		// Multimedia Programming Interface and Data Specifications 1.0 (August 1991), the WAVE form, from memory: all numbers little-endian.
		want := slices.Concat(
			[]byte("RIFF"), binary.LittleEndian.AppendUint32(nil, 36+size), []byte("WAVEfmt \x10\x00\x00\x00"),
			[]byte{1, 0, 1, 0}, []byte{0xA0, 0x86, 0x01, 0}, []byte{0x40, 0x0D, 0x03, 0}, // PCM, one channel, 100000 Hz, 200000 bytes a second
			[]byte{2, 0, 16, 0}, []byte("data"), binary.LittleEndian.AppendUint32(nil, size))
		for _, sample := range c.want {
			want = binary.LittleEndian.AppendUint16(want, uint16(sample))
		}
		if !bytes.Equal(file.Bytes(), want) {
			t.Errorf("%v us:\n% X\nwant\n% X", c.halves, file.Bytes(), want)
		}
	}
}

func TestEveryFaultIsKnownInAWAVFileAtAnyRateThatIsWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := wave.Signal{
			Sender: wave.Sender{Fault: rapid.SampledFrom(append(wave.Faults(), wave.NoFault)).Draw(t, "fault"),
				Preamble: rapid.IntRange(10, 30).Draw(t, "preamble"),
				Stretch:  time.Duration(rapid.SampledFrom([]int{0, 95, 1900}).Draw(t, "stretch")) * time.Microsecond},
			Between: 1,
		}
		for range rapid.IntRange(1, 4).Draw(t, "packets") {
			s.Parts = append(s.Parts, wave.Part{Packet: packets().Draw(t, "packet")})
		}
		halves := slices.Collect(s.Halves())
		halves[0] += time.Duration(rapid.IntRange(0, 20_000).Draw(t, "from the first sample to the first crossing"))
		rate := rapid.OneOf(rapid.IntRange(MinRate, 200_000), rapid.SampledFrom([]int{MinRate, 88_200, 96_000, 176_400, 192_000, MaxRate})).Draw(t, "rate")
		var file bytes.Buffer
		if err := WriteWAV(&file, rate, slices.Values(halves)); err != nil {
			t.Fatal(err)
		}
		all, err := record(&file, Options{})
		if err != nil {
			t.Fatal(err)
		}
		var got, want []wave.Finding
		for to, halves := range map[*[]wave.Finding][]time.Duration{&got: all.halves, &want: halves[1:]} {
			var scanner wave.Scanner
			for len(halves) > 0 {
				n, found := scanner.Scan(halves)
				halves = halves[n:]
				if found.Kind != wave.NothingFound {
					found.Start, found.End, found.Half = 0, 0, 0
					*to = append(*to, found)
				}
			}
		}
		if !slices.Equal(got, want) {
			t.Fatalf("at %d Hz: found %+v, want %+v", rate, got, want)
		}
		// The halves of the uneven one that a Sender sends are 1 us within what a half can be.
		for n := range min(len(all.halves), len(halves)-1) {
			if apart := (all.halves[n] - halves[n+1]).Abs(); apart >= time.Microsecond {
				t.Fatalf("at %d Hz half %d is %v, want %v", rate, n, all.halves[n], halves[n+1])
			}
		}
	})
}

// A reader of WAV files that is not ours: sox of Debian 12 (14.4.2).
func TestAnotherReaderFindsTheSameSamplesInAWAVFile(t *testing.T) {
	for _, rate := range []int{MinRate, 88_200, 192_000} {
		var file, samples bytes.Buffer
		if err := WriteWAV(&file, rate, slices.Values(idles(20))); err != nil {
			t.Fatal(err)
		}
		written := file.Bytes()
		command := exec.Command("sox", "-t", "wav", "-", "-t", "raw", "-e", "signed-integer", "-b", "16", "-L", "-")
		command.Stdin, command.Stdout = bytes.NewReader(written), &samples
		var said strings.Builder
		command.Stderr = &said
		if err := command.Run(); err != nil || said.String() != "" {
			t.Fatalf("%v: %v: %s (make tools installs sox)", command, err, said.String())
		}
		if !bytes.Equal(samples.Bytes(), written[44:]) {
			t.Errorf("at %d Hz sox finds other samples", rate)
		}
	}
}

func TestAWAVFileIsRefusedBeforeAnythingOfItIsWritten(t *testing.T) {
	for _, c := range []struct {
		rate   int
		halves func(func(time.Duration) bool)
		want   string
	}{
		{MinRate - 1, slices.Values(idles(1)), "a rate of 79999 Hz: want 80000 to 1000000"},
		{MaxRate + 1, slices.Values(idles(1)), "a rate of 1000001 Hz: want 80000 to 1000000"},
		{MinRate, slices.Values([]time.Duration{1000, 0}), "half 2 is 0s"},
		{MinRate, slices.Values([]time.Duration{1000, -1}), "half 2 is -1ns"},
		{MinRate, slices.Values([]time.Duration{1000, 1 << 62}), "half 2 ends later than 7h27m23s, which is as long as a WAV file can be at 80000 Hz"},
		// 4 GiB less the header is 2147483629 samples of 2 bytes: at 192000 Hz 11184.81 s.
		{192_000, lasting(time.Minute, 11184811*time.Millisecond), "half 187 ends later than 3h6m24s"},
	} {
		var file bytes.Buffer
		if err := WriteWAV(&file, c.rate, c.halves); err == nil || !strings.Contains(err.Error(), c.want) || file.Len() > 0 {
			t.Errorf("%d Hz: %d bytes, %v, want none and %q", c.rate, file.Len(), err, c.want)
		}
	}
}

// beginning keeps the first bytes, counts all, and stops when there are enough.
type beginning struct {
	bytes []byte
	limit int
}

func (b *beginning) Write(p []byte) (int, error) {
	b.bytes = append(b.bytes, p...)
	if len(b.bytes) >= b.limit {
		return len(p), errDiskFull
	}
	return len(p), nil
}

func TestTheLongestWAVFileFillsItsHeader(t *testing.T) {
	begin := beginning{limit: 4096}
	if err := WriteWAV(&begin, MaxRate, lasting(time.Second, 2147483629*time.Microsecond)); !errors.Is(err, errDiskFull) {
		t.Fatalf("%v, want %v", err, errDiskFull)
	}
	riff, data := binary.LittleEndian.Uint32(begin.bytes[4:]), binary.LittleEndian.Uint32(begin.bytes[40:])
	if riff != 0xFFFFFFFE || data != 2*2147483629 {
		t.Errorf("sizes %X and %X", riff, data)
	}
}

func TestWritingAWAVFileEndsWithTheFirstError(t *testing.T) {
	for _, room := range []disk{0, 4096} {
		if err := WriteWAV(&room, 192_000, slices.Values(idles(100))); !errors.Is(err, errDiskFull) {
			t.Errorf("%v, want %v", err, errDiskFull)
		}
	}
}

func BenchmarkWAV(b *testing.B) {
	halves := idles(1000)
	for _, rate := range []int{MinRate, 192_000} {
		b.Run(fmt.Sprint(rate), func(b *testing.B) {
			edges := 0
			for b.Loop() {
				if err := WriteWAV(io.Discard, rate, slices.Values(halves)); err != nil {
					b.Fatal(err)
				}
				edges += len(halves)
			}
			b.ReportMetric(float64(edges)/b.Elapsed().Seconds(), "edges/s")
		})
	}
}
