package capture

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"fettle/nmra"
	"fettle/nmra/wave"
)

// sheet is a WAV file to be: its samples, of each frame one for each channel, as parts of the full scale.
type sheet struct {
	channels, rate, bits int
	float                bool
	samples              []float64
}

// chunk appends a chunk, padded.
func chunk(file []byte, name string, data []byte) []byte {
	file = binary.LittleEndian.AppendUint32(append(file, name...), uint32(len(data)))
	file = append(file, data...)
	if len(data)%2 == 1 {
		file = append(file, 0)
	}
	return file
}

func (s sheet) format() []byte {
	code := uint16(1)
	if s.float {
		code = 3
	}
	frame := s.channels * s.bits / 8
	f := binary.LittleEndian.AppendUint16(nil, code)
	f = binary.LittleEndian.AppendUint16(f, uint16(s.channels))
	f = binary.LittleEndian.AppendUint32(f, uint32(s.rate))
	f = binary.LittleEndian.AppendUint32(f, uint32(s.rate*frame))
	f = binary.LittleEndian.AppendUint16(f, uint16(frame))
	return binary.LittleEndian.AppendUint16(f, uint16(s.bits))
}

// extensible is the format as one that says more of itself.
func (s sheet) extensible() []byte {
	f := s.format()
	code := bytes.Clone(f[:2])
	binary.LittleEndian.PutUint16(f, 0xFFFE)
	f = binary.LittleEndian.AppendUint16(f, 22)
	f = binary.LittleEndian.AppendUint16(f, uint16(s.bits))
	f = binary.LittleEndian.AppendUint32(f, 0)
	return append(append(f, code...), "\x00\x00\x00\x00\x10\x00\x80\x00\x00\xaa\x00\x38\x9b\x71"...)
}

func (s sheet) data() []byte {
	var data []byte
	for _, v := range s.samples {
		whole := int64(math.Round(max(-1, min(v, 1-math.Ldexp(1, 1-s.bits))) * math.Ldexp(1, s.bits-1)))
		switch {
		case s.float && s.bits == 32:
			data = binary.LittleEndian.AppendUint32(data, math.Float32bits(float32(v)))
		case s.float:
			data = binary.LittleEndian.AppendUint64(data, math.Float64bits(v))
		case s.bits == 8:
			data = append(data, byte(whole+0x80))
		default:
			for n := 0; n < s.bits; n += 8 {
				data = append(data, byte(whole>>n))
			}
		}
	}
	return data
}

func (s sheet) file() []byte {
	return chunk(chunk(wavOf("RIFF"), "fmt ", s.format()), "data", s.data())
}

func wavOf(mark string) []byte { return []byte(mark + "\xff\xff\xff\xffWAVE") }

// parts gives the voltages of a track as parts of a full scale.
func (tr track) parts(full float64) (parts []float64) {
	tr.samples(func(_ time.Duration, v float64) { parts = append(parts, v/full) })
	return parts
}

// heard gives the packets and the faults of a capture, in words.
func heard(t testing.TB, file []byte, o Options) []string {
	t.Helper()
	all, err := record(bytes.NewReader(file), o)
	if err != nil {
		t.Fatal(err)
	}
	return found(all.halves)
}

func TestEveryKindOfSampleIsRead(t *testing.T) {
	tr := track{halves: some(5, 1), low: -13.5, high: 15, first: time.Millisecond, after: time.Millisecond, rate: 96000, noise: 0.1}
	want := found(tr.halves)
	if len(want) != 5 {
		t.Fatal(want)
	}
	for _, s := range []sheet{{bits: 8}, {bits: 16}, {bits: 24}, {bits: 32}, {bits: 32, float: true}, {bits: 64, float: true}} {
		s.channels, s.rate, s.samples = 1, 96000, tr.parts(20)
		for _, format := range [][]byte{s.format(), s.extensible()} {
			file := chunk(chunk(wavOf("RIFF"), "fmt ", format), "data", s.data())
			if got := heard(t, file, Options{FullScale: 20}); !slices.Equal(got, want) {
				t.Errorf("%d bits, float %v: %v, want %v", s.bits, s.float, got, want)
			}
		}
	}
}

func TestASampleIsTheSamePartOfTheFullScaleInEveryKind(t *testing.T) {
	for _, c := range []struct {
		layout layout
		bytes  string
		want   float64
	}{
		{layout{bytes: 1}, "\x80", 0}, {layout{bytes: 1}, "\x00", -1}, {layout{bytes: 1}, "\xc0", 0.5},
		{layout{bytes: 2}, "\x00\x40", 0.5}, {layout{bytes: 2}, "\x00\x80", -1},
		{layout{bytes: 3}, "\x00\x00\x40", 0.5}, {layout{bytes: 3}, "\x00\x00\x80", -1}, {layout{bytes: 3}, "\x01\x00\x00", math.Ldexp(1, -23)},
		{layout{bytes: 4}, "\x00\x00\x00\x40", 0.5}, {layout{bytes: 4}, "\x00\x00\x00\x80", -1},
		{layout{bytes: 4, float: true}, "\x00\x00\x00\x3f", 0.5}, {layout{bytes: 8, float: true}, "\x00\x00\x00\x00\x00\x00\xe0\xbf", -0.5},
	} {
		if got := c.layout.sample([]byte(c.bytes)); got != c.want {
			t.Errorf("%+v of % x: %v, want %v", c.layout, c.bytes, got, c.want)
		}
	}
}

// lead is a short track, and what it has.
func lead(rate float64) (tr track, want []string) {
	tr = track{halves: some(5, 1), low: -15, high: 15, first: time.Millisecond, after: time.Millisecond, rate: rate, noise: 0.1}
	return tr, found(tr.halves)
}

func TestChunksComeInAnyOrderAndOthersAreSkipped(t *testing.T) {
	tr, want := lead(48_000)
	s := sheet{channels: 1, rate: 48_000, bits: 16, samples: tr.parts(20)}
	odd := []byte("Port Elvering, quay line") // 24 bytes, and one less is odd
	ds64 := binary.LittleEndian.AppendUint64(make([]byte, 8), uint64(len(s.data())))
	ds64 = append(ds64, make([]byte, 12)...)
	long := append(chunk(chunk(wavOf("RF64"), "ds64", ds64), "fmt ", s.format()), "data\xff\xff\xff\xff"...)
	stream := func(size string) []byte {
		return append(append(chunk(wavOf("RIFF"), "fmt ", s.format()), "data"+size...), s.data()...)
	}
	for name, file := range map[string][]byte{
		"others before the format":     chunk(chunk(chunk(wavOf("RIFF"), "LIST", odd[:23]), "fmt ", s.format()), "data", s.data()),
		"others before the samples":    chunk(chunk(chunk(wavOf("RIFF"), "fmt ", s.format()), "junk", odd[:1]), "data", s.data()),
		"others behind the samples":    chunk(s.file(), "LIST", bytes.Repeat([]byte{0x7f, 0x80}, 9999)),
		"a format that is longer":      chunk(chunk(wavOf("RIFF"), "fmt ", append(s.format(), 0, 0)), "data", s.data()),
		"64-bit sizes":                 chunk(append(slices.Clone(long), s.data()...), "LIST", bytes.Repeat([]byte{0x7f, 0x80}, 9999)),
		"a stream with a size of 0":    stream("\x00\x00\x00\x00"),
		"a stream of the longest size": stream("\xff\xff\xff\xff"),
		"cut short":                    stream("\xff\xff\xff\x7f"),
		"cut short in a sample":        append(stream("\xff\xff\xff\x7f"), 1),
	} {
		if got := heard(t, file, Options{}); !slices.Equal(got, want) {
			t.Errorf("%s: %v, want %v", name, got, want)
		}
	}
}

func TestACutFileGivesWhatIsThere(t *testing.T) {
	tr, want := lead(96_000)
	file := sheet{channels: 2, rate: 96_000, bits: 24}
	for _, v := range tr.parts(20) {
		file.samples = append(file.samples, v, 0)
	}
	whole := file.file()
	before := 0
	for cut := 44; cut <= len(whole); cut += 97 {
		all, err := record(bytes.NewReader(whole[:cut]), Options{Signal: "1"})
		if err != nil {
			t.Fatalf("cut at byte %d: %v", cut, err)
		}
		got := found(all.halves)
		if n := len(got); n > 0 && n <= len(want) && !slices.Equal(got[:n-1], want[:n-1]) {
			t.Fatalf("cut at byte %d: %v, want the first of %v", cut, got, want)
		}
		if len(all.halves) < before-2 {
			t.Fatalf("cut at byte %d: %d halves, and %d a little before", cut, len(all.halves), before)
		}
		before = len(all.halves)
	}
	if before != len(tr.halves) {
		t.Errorf("%d halves in all, want %d", before, len(tr.halves))
	}
}

func TestASignalThatBeginsAnywhereInAFileIsFoundFromItsNextPreambleOn(t *testing.T) {
	tr, want := lead(48_000)
	parts := tr.parts(20)
	for cut := 0; cut < len(parts); cut += 31 {
		got := heard(t, sheet{channels: 1, rate: 48_000, bits: 16, samples: parts[cut:]}.file(), Options{})
		// The packet that was cut into is lost; what is left of its end may look like a fault.
		end, left := time.Millisecond, 0
		for n := range want {
			begin := end
			for range 2 * nmra.Preamble {
				begin += nmra.HalfOne
			}
			for _, half := range packetHalves(tr.halves, n) {
				end += half
			}
			if begin-20*nmra.HalfOne-time.Duration(cut)*time.Second/48_000 > 100*time.Microsecond {
				left = len(want) - n
				break
			}
		}
		if len(got) < left || !slices.Equal(got[len(got)-left:], want[len(want)-left:]) {
			t.Fatalf("from sample %d on: %v, want the last %d of %v", cut, got, left, want)
		}
	}
}

// packetHalves gives the halves of the packet n, with its preamble.
func packetHalves(halves []time.Duration, n int) []time.Duration {
	var s wave.Scanner
	from := 0
	for at := 0; ; {
		took, _ := s.Scan(halves[at:])
		at += took
		if n == 0 {
			return halves[from:at]
		}
		from = at
		n--
	}
}

func TestVoltagesAreGivenWhereTheFullScaleIsKnown(t *testing.T) {
	tr := track{halves: some(5, 1), low: -12, high: 15, first: time.Millisecond, after: time.Millisecond, rate: 192_000}
	file := sheet{channels: 1, rate: 192_000, bits: 16, samples: tr.parts(20)}.file()
	all, err := record(bytes.NewReader(file), Options{FullScale: 20})
	if err != nil {
		t.Fatal(err)
	}
	if !all.Volts || len(all.volts) != len(all.halves) || all.Form != WAV || !all.Sampled || all.Step != 5208 {
		t.Errorf("%+v with %d voltages of %d halves", all.Info, len(all.volts), len(all.halves))
	}
	for i, v := range all.volts {
		want := wave.Volts(15)
		if i%2 == 1 {
			want = -12
		}
		if math.Abs(float64(v-want)) > 0.05 {
			t.Fatalf("half %d: %.3f V, want %v", i, v, want)
		}
	}
	if all, err = record(bytes.NewReader(file), Options{}); err != nil || all.Volts || len(all.volts) > 0 || len(all.halves) != len(tr.halves) {
		t.Errorf("without it: %+v with %d voltages, %v", all.Info, len(all.volts), err)
	}
}

func TestAPulseOfCurrentIsSeenWhereItIs(t *testing.T) {
	for _, rate := range []float64{44_100, 96_000, 192_000} {
		tr := track{halves: some(8, 1), low: -15, high: 15, first: time.Millisecond, after: 20 * time.Millisecond, rate: rate}
		s := sheet{channels: 2, rate: int(rate), bits: 16}
		random := rand.New(rand.NewPCG(1, 1))
		// NMRA S-9.2.3 (July 2012), section D: an acknowledgement is at least 60 mA more, for 6 ms.
		const rise, fall = 20 * time.Millisecond, 26 * time.Millisecond
		tr.samples(func(at time.Duration, v float64) {
			drawn := 12 + 2*random.NormFloat64()
			if at >= rise && at < fall {
				drawn += 60
			}
			s.samples = append(s.samples, v/20, drawn/500)
		})
		all, err := record(bytes.NewReader(s.file()), Options{Current: "2", FullScaleCurrent: 500})
		if err != nil {
			t.Fatal(err)
		}
		if all.Signal != "1" || all.Info.Current != "2" || !slices.Equal(found(all.halves), found(tr.halves)) {
			t.Errorf("%+v with %v", all.Info, found(all.halves))
		}
		var up, down time.Duration
		for i, c := range all.current {
			if above := c.Milliamps > 42; above && up == 0 {
				up = c.At
			} else if !above && up > 0 && down == 0 {
				down = c.At
			}
			if i > 0 && c.At-all.current[i-1].At < 99*time.Microsecond {
				t.Fatalf("%v samples a second: currents at %v and %v", rate, all.current[i-1].At, c.At)
			}
		}
		if (up-rise).Abs() > 200*time.Microsecond || (down-fall).Abs() > 200*time.Microsecond {
			t.Errorf("%v samples a second: from %v to %v, want 20 to 26 ms", rate, up, down)
		}
		_, err = record(bytes.NewReader(s.file()), Options{Current: "2"})
		if err == nil || !strings.Contains(err.Error(), "how many mA the full scale is") {
			t.Errorf("no full scale: %v", err)
		}
	}
}

func TestCurrentsComeWhereTheSignalIsSilent(t *testing.T) {
	s := sheet{channels: 2, rate: 48_000, bits: 16}
	for i := range 48_000 * 3 {
		s.samples = append(s.samples, 0, float64(i%4800)/9600)
	}
	all, err := record(bytes.NewReader(s.file()), Options{Signal: "1", Current: "2", FullScaleCurrent: 500})
	if err != nil || len(all.halves) > 0 || len(all.current) < 7000 || all.current[len(all.current)-1].At < 2990*time.Millisecond {
		t.Errorf("%d halves and %d currents, %v", len(all.halves), len(all.current), err)
	}
}

func TestWhatIsNoWAVFileOfATrackIsRefusedWithItsPlace(t *testing.T) {
	good := sheet{channels: 1, rate: 48_000, bits: 16, samples: []float64{0, 0.5, -0.5}}
	format := func(change func(f []byte)) []byte {
		f := good.extensible()
		change(f)
		return chunk(chunk(wavOf("RIFF"), "fmt ", f), "data", good.data())
	}
	put := binary.LittleEndian.PutUint16
	for _, c := range []struct {
		name string
		file []byte
		want SyntaxError
	}{
		{"other bytes first on a big-endian machine", wavOf("RIFX"), SyntaxError{Byte: 0, Found: "RIFX", Want: "RIFF or RF64"}},
		{"another form of RIFF", []byte("RIFF\x00\x00\x00\x00AVI "), SyntaxError{Byte: 8, Found: "AVI ", Want: "WAVE"}},
		{"nothing but the mark", []byte("RIFF\x00\x00"), SyntaxError{Byte: 6, Want: "a WAV file"}},
		{"no format", wavOf("RIFF"), SyntaxError{Byte: 12, Want: "a chunk with the format"}},
		{"a format cut short", chunk(wavOf("RIFF"), "fmt ", good.format())[:30], SyntaxError{Byte: 30, Want: "a format of 16 bytes or more"}},
		{"a short format", chunk(wavOf("RIFF"), "fmt ", good.format()[:14]), SyntaxError{Byte: 16, Found: "14",
			Want: "a format of 16 bytes or more"}},
		{"no samples", chunk(wavOf("RIFF"), "fmt ", good.format()), SyntaxError{Byte: 36, Want: "a chunk with the samples"}},
		{"samples first", chunk(wavOf("RIFF"), "data", good.data()), SyntaxError{Byte: 12, Found: "data", Want: "the format before the samples"}},
		{"a chunk cut short", append(chunk(wavOf("RIFF"), "fmt ", good.format()), "LIST\xff\xff\xff\xffab"...),
			SyntaxError{Byte: 46, Want: "4294967294 bytes more of the chunk \"LIST\""}},
		{"compressed", format(func(f []byte) { put(f[24:], 2) }), SyntaxError{Byte: 44, Found: "2",
			Want: "format 1, whole numbers, or 3, floating point: save it as PCM"}},
		{"an unknown mark", format(func(f []byte) { f[39] = 0 }),
			SyntaxError{Byte: 46, Found: "\x00\x00\x00\x00\x10\x00\x80\x00\x00\xaa\x00\x38\x9b\x00", Want: "the mark of a format"}},
		{"no channel", format(func(f []byte) { put(f[2:], 0) }), SyntaxError{Byte: 22, Found: "0", Want: "1 to 64 channels"}},
		{"many channels", format(func(f []byte) { put(f[2:], 65) }), SyntaxError{Byte: 22, Found: "65", Want: "1 to 64 channels"}},
		{"a low rate", format(func(f []byte) { put(f[4:], 22_050) }), SyntaxError{Byte: 24, Found: "22050",
			Want: "40000 to 100000000 samples a second: with fewer a half of 58 us can't be told; record it with 48000, better with 96000 or more"}},
		{"odd samples", format(func(f []byte) { put(f[14:], 12) }), SyntaxError{Byte: 34, Found: "12", Want: "8, 16, 24 or 32 bits a sample"}},
		{"short floats", format(func(f []byte) { put(f[24:], 3) }), SyntaxError{Byte: 34, Found: "16",
			Want: "32 or 64 bits a sample that is floating point"}},
		{"other frames", format(func(f []byte) { put(f[12:], 3) }), SyntaxError{Byte: 32, Found: "3", Want: "2 bytes for a sample of each channel"}},
		{"short 64-bit sizes", chunk(wavOf("RF64"), "ds64", make([]byte, 8)), SyntaxError{Byte: 16, Found: "8",
			Want: "a ds64 chunk of 28 bytes or more"}},
	} {
		_, err := newWAV(bytes.NewReader(c.file), Options{})
		c.want.Form = WAV
		var got *SyntaxError
		if !errors.As(err, &got) || *got != c.want {
			t.Errorf("%s: %+v, want %+v", c.name, err, &c.want)
		}
	}
}

func TestASampleThatIsNoNumberIsRefusedWithItsPlace(t *testing.T) {
	for _, bits := range []int{32, 64} {
		for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
			s := sheet{channels: 2, rate: 48_000, bits: bits, float: true, samples: make([]float64, 20_000)}
			s.samples[2*9876+1] = bad
			_, err := record(bytes.NewReader(s.file()), Options{Signal: "2"})
			want := SyntaxError{Form: WAV, Byte: 44 + int64(bits/8)*(2*9876+1), Found: fmt.Sprint(bad), Want: "a number"}
			var got *SyntaxError
			if !errors.As(err, &got) || *got != want {
				t.Errorf("%v, want %v", err, &want)
			}
			if _, err := record(bytes.NewReader(s.file()), Options{Signal: "1"}); err != nil {
				t.Errorf("the other channel: %v", err)
			}
		}
	}
}

func TestAWAVFileThatStopsComingIsNotWaitedFor(t *testing.T) {
	tr, want := lead(48_000)
	file := sheet{channels: 1, rate: 48_000, bits: 16, samples: tr.parts(20)}.file()
	for at := range 44 {
		if _, err := newWAV(io.MultiReader(bytes.NewReader(file[:at]), idle{}), Options{}); !errors.Is(err, io.ErrNoProgress) {
			t.Errorf("stopped at byte %d: %v", at, err)
		}
	}
	all, err := record(io.MultiReader(bytes.NewReader(file[:len(file)-40]), idle{}), Options{})
	if got := found(all.halves); !errors.Is(err, io.ErrNoProgress) || !slices.Equal(got, want) {
		t.Errorf("%v, %v, want %v", got, err, want)
	}
}

func TestAReaderThatFailsIsToldBehindWhatItGave(t *testing.T) {
	tr, want := lead(48_000)
	file := sheet{channels: 1, rate: 48_000, bits: 16, samples: tr.parts(20)}.file()
	lost := errors.New("the line is dead")
	all, err := record(io.MultiReader(iotest.OneByteReader(bytes.NewReader(file[:len(file)-40])), iotest.ErrReader(lost)), Options{Signal: "1"})
	if !errors.Is(err, lost) || !slices.Equal(found(all.halves), want) {
		t.Errorf("%v, %v, want %v, and %v", found(all.halves), err, want, lost)
	}
}

func TestAFullScaleThatCanNotBeIsRefused(t *testing.T) {
	file := sheet{channels: 1, rate: 48_000, bits: 16, samples: make([]float64, 10)}.file()
	for _, bad := range []float64{-1, math.NaN(), math.Inf(1)} {
		for _, o := range []Options{{FullScale: wave.Volts(bad)}, {FullScaleCurrent: wave.Milliamps(bad)}} {
			if _, err := newWAV(bytes.NewReader(file), o); err == nil {
				t.Errorf("%+v is taken", o)
			}
		}
	}
}

// A resampler that is not ours: sox of Debian, which makes of a recording at 192000 samples a second one at another rate, with noise.
func TestWhatAnotherProgramResampledHasTheSamePackets(t *testing.T) {
	sox := func(arguments ...string) {
		t.Helper()
		if out, err := exec.Command("sox", append([]string{"-R"}, arguments...)...).CombinedOutput(); err != nil {
			t.Fatalf("sox %v: %v\n%s\nDebian's package sox is needed: make tools installs it", arguments, err, out)
		}
	}
	folder := t.TempDir()
	tr := track{halves: some(200, 11), low: -14, high: 15, first: 5 * time.Millisecond, after: 5 * time.Millisecond, rate: 192_000}
	whole, noise := filepath.Join(folder, "whole.wav"), filepath.Join(folder, "noise.wav")
	if err := os.WriteFile(whole, sheet{channels: 1, rate: 192_000, bits: 16, samples: tr.parts(40)}.file(), 0o600); err != nil {
		t.Fatal(err)
	}
	want := found(tr.halves)
	for _, rate := range []string{"44100", "48000", "88200", "96000"} {
		slow, both := filepath.Join(folder, rate+".wav"), filepath.Join(folder, rate+"-noise.wav")
		sox(whole, "-r", rate, "-b", "24", slow)
		sox("-n", "-r", rate, "-b", "24", noise, "synth", "4", "whitenoise", "gain", "-40")
		sox("-m", "-v", "1", slow, "-v", "1", noise, "-b", "16", both)
		file, err := os.ReadFile(both)
		if err != nil {
			t.Fatal(err)
		}
		all, err := record(bytes.NewReader(file), Options{FullScale: 40})
		if err != nil {
			t.Fatal(err)
		}
		mean, most := off(t, all.halves, tr.halves)
		t.Logf("at %s samples a second: %.2f us off on the average, %.2f us at the most", rate, mean, most)
		if got := found(all.halves); !slices.Equal(got, want) {
			t.Errorf("at %s samples a second: %v, want %v", rate, got, want)
		}
	}
}

func FuzzWAV(f *testing.F) {
	tr := track{halves: some(1, 1)[:80], low: -15, high: 15, first: time.Millisecond, rate: 48_000}
	for _, s := range []sheet{
		{channels: 1, bits: 8}, {channels: 2, bits: 16}, {channels: 1, bits: 24}, {channels: 1, bits: 32, float: true},
		{channels: 1, bits: 64, float: true},
	} {
		s.rate, s.samples = 48_000, tr.parts(20)
		f.Add(s.file())
		f.Add(chunk(chunk(wavOf("RF64"), "fmt ", s.extensible()), "data", s.data()))
	}
	f.Fuzz(func(t *testing.T, file []byte) {
		o := Options{Signal: "1", FullScale: 20, FullScaleCurrent: 500}
		hold(t, file, o)
		o.Current = "2"
		hold(t, file, o)
		// Whatever it is, it is the same where it comes in other portions.
		want, err := record(bytes.NewReader(file), o)
		got, again := record(sips{bytes.NewReader(file), 7}, o)
		if fmt.Sprint(err) != fmt.Sprint(again) || !slices.Equal(want.halves, got.halves) || !slices.Equal(want.current, got.current) {
			t.Errorf("%v, %v (%v)\nin portions %v, %v (%v)", want.halves, want.current, err, got.halves, got.current, again)
		}
	})
}

func BenchmarkReadWAV(b *testing.B) {
	for _, rate := range []float64{48_000, 192_000} {
		tr := track{halves: some(200, 3), low: -15, high: 15, first: time.Millisecond, rate: rate, noise: 0.2}
		file := sheet{channels: 1, rate: int(rate), bits: 16, samples: tr.parts(20)}.file()
		b.Run(fmt.Sprint(rate), func(b *testing.B) {
			b.SetBytes(int64(len(file)))
			b.ReportAllocs()
			for b.Loop() {
				c, err := Open(bytes.NewReader(file), Options{FullScale: 20})
				if err != nil {
					b.Fatal(err)
				}
				var batch Batch
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
