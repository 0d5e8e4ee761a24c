package capture

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"runtime"
	"slices"
	"strings"
	"testing"
)

// stereo is a WAV file of two channels of 16 bits, 192000 samples a second.
func stereo(samples []int16) []byte {
	// WAVE format chunk (Microsoft and IBM, 1991; from memory): tag 1 is PCM; channels, rate, bytes a second, bytes a frame, bits a sample.
	text := []byte("RIFF\x00\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x02\x00")
	text = binary.LittleEndian.AppendUint32(text, 192_000)
	text = binary.LittleEndian.AppendUint32(text, 4*192_000)
	text = append(text, 4, 0, 16, 0, 'd', 'a', 't', 'a')
	text = binary.LittleEndian.AppendUint32(text, uint32(2*len(samples)))
	for _, s := range samples {
		text = binary.LittleEndian.AppendUint16(text, uint16(s))
	}
	binary.LittleEndian.PutUint32(text[4:], uint32(len(text)-8))
	return text
}

// asWritten gives the bytes that a writer writes.
func asWritten(t testing.TB, write func(*bytes.Buffer) error) []byte {
	t.Helper()
	var text bytes.Buffer
	if err := write(&text); err != nil {
		t.Fatal(err)
	}
	return text.Bytes()
}

// hold reads a capture that may be anything, and fails where it is not read as Open and Next say.
func hold(t *testing.T, text []byte, o Options) {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	all, err := record(bytes.NewReader(text), o)
	runtime.ReadMemStats(&after)
	// Each of 64 candidates may have its buffers; beyond them what is allocated goes with the length. Our own bounds.
	if most := uint64(64<<20 + 1000*len(text)); after.TotalAlloc-before.TotalAlloc > most {
		t.Errorf("%d bytes were allocated for %d, want no more than %d", after.TotalAlloc-before.TotalAlloc, len(text), most)
	}
	if err != nil && strings.HasPrefix(err.Error(), "broken promise") {
		t.Error(err)
	}
	if err != nil && strings.ContainsFunc(err.Error(), func(c rune) bool { return c < ' ' || c == 0x7F }) {
		t.Errorf("an error that could do harm: %q", err)
	}
	var syntax *SyntaxError
	if errors.As(err, &syntax) && (syntax.Want == "" || syntax.Line < 0 || syntax.Line > 2+bytes.Count(text, []byte("\n"))+bytes.Count(text, []byte("\r")) ||
		syntax.Byte < 0 || syntax.Byte > int64(len(text))) {
		t.Errorf("an error in no place of the capture, or that wants nothing: %+v", syntax)
	}
	if len(all.halves) > len(text) || len(all.current) > len(text) {
		t.Errorf("%d halves and %d currents in %d bytes", len(all.halves), len(all.current), len(text))
	}
	for _, v := range all.volts {
		if math.IsNaN(float64(v)) || math.IsInf(float64(v), 0) {
			t.Errorf("a half of %v V", v)
		}
	}
	for _, c := range all.current {
		if math.IsNaN(float64(c.Milliamps)) || math.IsInf(float64(c.Milliamps), 0) {
			t.Errorf("a current of %v mA", c.Milliamps)
		}
	}
	if err == nil && all.Signal == "" && len(all.Channels) > 0 && all.Channels[0].Name != "" {
		t.Errorf("no signal, and no error: %+v", all.Info)
	}
}

func FuzzOpen(f *testing.F) {
	signal := idles(3)
	f.Add(asWritten(f, func(b *bytes.Buffer) error { return WriteVCD(b, slices.Values(signal)) }), "", "")
	f.Add(asWritten(f, func(b *bytes.Buffer) error { return WriteCSV(b, slices.Values(signal)) }), "rail", "")
	f.Add(asWritten(f, func(b *bytes.Buffer) error { return WriteWAV(b, 192_000, slices.Values(signal)) }), "1", "")
	f.Add(stereo([]int16{0, 8000, 0, 8000, 1, -8000, 2, -8000, 0, 8000, 0, 8000}), "", "2")
	f.Add([]byte(mixed(10)), "", "quay.current")
	var w wires
	for i := range 3 {
		w.add(fmt.Sprint("rail", i), signal[:10*i])
	}
	f.Add(w.dump(), "", "")
	f.Add([]byte("time_us,volts,current_ma\n0,12.5,8\n29,-12.5,8\n58,-12.5,70\n87,12.5,8\n"), "", "")
	f.Add([]byte("seconds;rail;ack\n0;0;0\n0.000058;1;0\n0,000116;0;1\n"), "rail", "ack")
	f.Add([]byte("RIFF\xff\xff\xff\xffWAVEfmt \xff\xff\xff\xff"), "", "")
	f.Fuzz(func(t *testing.T, text []byte, signal, current string) {
		hold(t, text, Options{Signal: signal, Current: current, FullScale: 20, FullScaleCurrent: 500})
	})
}

func FuzzVCD(f *testing.F) {
	for _, changes := range []string{"", "#0 1! #58 0! #116 1! #216 0!", "#0 b1 ! r1.5 $ $comment x $end #3 x! #4 0! #4 1!", "#5 1! #4 0!",
		"$dumpoff x! x$ $end #99999999999999999999 1!", "1 !\n#\n$end"} {
		f.Add(uint8(1), changes)
	}
	scales := []string{"1 s", "1 us", "1 ns", "10 ps", "1 fs"}
	f.Fuzz(func(t *testing.T, scale uint8, changes string) {
		text := strings.Replace(head, "1 us", scales[int(scale)%len(scales)], 1) + changes
		hold(t, []byte(text), Options{Signal: "rail"})
		// Whatever it is, it is the same where it comes in other portions.
		want, err := record(strings.NewReader(text), Options{})
		got, again := record(sips{strings.NewReader(text), 7}, Options{})
		if fmt.Sprint(err) != fmt.Sprint(again) || !slices.Equal(want.halves, got.halves) || !slices.Equal(want.current, got.current) {
			t.Errorf("%v, %v (%v)\nin portions %v, %v (%v)", want.halves, want.current, err, got.halves, got.current, again)
		}
	})
}
