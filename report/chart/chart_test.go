package chart

import (
	"bytes"
	"encoding/binary"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/nmra/wave"
	"fettle/nmra/wave/conform"
)

// picture is what an SVG shows.
type picture struct {
	title, desc string
	texts       []string
	elements    map[string]int
	drawn       []element // in their order
}

// element is a part of a picture.
type element struct {
	xml.StartElement
	within []string // the elements that it is in, and itself
	text   string   // up to the next element
}

// get is the value of an attribute; "" where the element has none.
func (e element) get(name string) string {
	for _, a := range e.Attr {
		if a.Name.Local == name {
			return a.Value
		}
	}
	return ""
}

// has reports whether one of its texts is this.
func (p picture) has(text string) bool { return slices.Contains(p.texts, text) }

// drawn draws a signal or a trial, and reads the picture back. It fails where that is no XML, or has anything in it that nothing here draws.
func drawn(t *testing.T, s interface{ WriteSVG(io.Writer) error }) picture {
	t.Helper()
	var svg bytes.Buffer
	if err := s.WriteSVG(&svg); err != nil {
		t.Fatalf("writing the picture: %v", err)
	}
	p := readBack(t, &svg, "svg", "title", "desc", "g", "path", "text")
	if p.elements["title"] != 1 || p.elements["desc"] != 1 {
		t.Errorf("the picture has elements %v, want one title and one desc", p.elements)
	}
	return p
}

// readBack reads a picture that may have elements of these names.
func readBack(t *testing.T, svg io.Reader, names ...string) picture {
	t.Helper()
	p := picture{elements: map[string]int{}}
	notNumber := regexp.MustCompile(`NaN|Inf`)
	decoder := xml.NewDecoder(svg)
	var open []string
	for {
		token, err := decoder.Token()
		if err == io.EOF {
			return p
		}
		if err != nil {
			t.Fatalf("reading the picture: %v", err)
		}
		switch token := token.(type) {
		case xml.StartElement:
			name := token.Name.Local
			p.elements[name]++
			if !slices.Contains(names, name) {
				t.Errorf("the picture has an element %s", name)
			}
			for _, a := range token.Attr {
				if notNumber.MatchString(a.Value) {
					t.Errorf("%s has %s=%q", name, a.Name.Local, a.Value)
				}
				if a.Name.Local == "style" && strings.Contains(a.Value, "font-family") && !strings.Contains(a.Value, ",sans-serif;") {
					t.Errorf("text in a font that not every machine has: %q", a.Value)
				}
			}
			open = append(open, name)
			p.drawn = append(p.drawn, element{token, slices.Clone(open), ""})
			if name == "text" {
				p.texts = append(p.texts, "")
			}
		case xml.EndElement:
			open = open[:len(open)-1]
		case xml.CharData:
			if len(open) == 0 {
				continue
			}
			p.drawn[len(p.drawn)-1].text += string(token)
			switch open[len(open)-1] {
			case "title":
				p.title += string(token)
			case "desc":
				p.desc += string(token)
			case "text":
				p.texts[len(p.texts)-1] += string(token)
			}
		}
	}
}

// measured is a signal as it is measured, in batches as they come from a capture.
func measured(title string, halves []time.Duration, volts []wave.Volts) Signal {
	var meter conform.Meter
	var strips conform.Strips
	var voltmeter conform.Voltmeter
	at := time.Duration(0)
	const batch = 4096
	for from := 0; from < len(halves); from += batch {
		part := halves[from:min(from+batch, len(halves))]
		var v []wave.Volts
		if volts != nil {
			v = volts[from : from+len(part)]
			voltmeter.Halves(at, part, v)
		}
		strips.Halves(at, part, v)
		for _, half := range part {
			at += half
		}
		for len(part) > 0 {
			n, found := meter.Scan(part)
			strips.Found(found, 0)
			part = part[n:]
		}
	}
	strips.Found(meter.End(), 0)
	return Signal{Title: title, Result: meter.Result(), Voltage: voltmeter.Result(conform.AnyScale), Strips: strips.List()}
}

// example is the packet of a figure in a standard.
func example(t testing.TB) nmra.Packet {
	t.Helper()
	// NMRA S-9.2 (July 2004), section A, the figure: address 55, forward, step 6 of 28
	p, err := nmra.NewPacket(0x37, 0x74, 0x43)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// sent is so many packets, each as one of the senders sends it, the first first.
func sent(t testing.TB, n int, senders ...wave.Sender) []time.Duration {
	t.Helper()
	var halves []time.Duration
	for i := range n {
		halves = senders[i%len(senders)].Append(halves, example(t))
	}
	return wave.Sender{}.Ones(halves, 20)
}

func TestAFaultIsNamedWithItsLengthAndTheLimitThatItBreaks(t *testing.T) {
	for fault, want := range map[wave.Fault]string{
		// NMRA S-9.1 (2020)
		wave.LongHalf:  "a half of 70 µs: that of a one has 64 µs at the most (S-9.1)",
		wave.ShortHalf: "a half of 46 µs: that of a one has 52 µs at the least (S-9.1)",
		wave.UnevenOne: "halves of 53 and 63 µs: those of a one may differ by 6 µs (S-9.1)",
		wave.LongZero:  "halves of 6000 and 6006 µs: a whole zero has 12000 µs at the most (S-9.1)",
		// NMRA S-9.2 (July 2004), section A
		wave.ShortPreamble: "9 ones: a decoder takes no packet behind fewer than 10 (S-9.2)",
		wave.WrongCheck:    "check byte 42, not 43, the exclusive OR of the bytes before it (S-9.2)",
		wave.MissingEnd:    "a 0 in place of the end bit, which is a 1 (S-9.2)",
		wave.CutShort:      "a packet that breaks off: the ones behind it fill its last byte",
	} {
		p := drawn(t, measured("a capture", sent(t, 3, wave.Sender{}, wave.Sender{Fault: fault}, wave.Sender{}), nil))
		if !p.has(want) {
			t.Errorf("%v: the picture says %q, want %q among it", fault, p.texts, want)
		}
		if !strings.Contains(p.desc, sentence(want)) {
			t.Errorf("%v: who can't see the picture is told %q, want %q in it", fault, p.desc, want)
		}
		if !p.has("37") { // the byte before what is at fault, or behind it
			t.Errorf("%v: the picture says %q, want the byte 37 among it", fault, p.texts)
		}
	}
}

func TestTheLimitsOfTheOtherKindOfHalfAreNamedToo(t *testing.T) {
	for half, want := range map[time.Duration]string{
		// NMRA S-9.1 (2020)
		84 * time.Microsecond:     "a half of 84 µs: that of a zero has 90 µs at the least (S-9.1)",
		10_006 * time.Microsecond: "a half of 10006 µs: that of a zero has 10000 µs at the most (S-9.1)",
	} {
		halves := sent(t, 3, wave.Sender{})
		halves[28] = half // of the first start bit
		if p := drawn(t, measured("", halves, nil)); !p.has(want) {
			t.Errorf("the picture says %q, want %q among it", p.texts, want)
		}
	}
}

func TestWithoutAFaultAPacketIsShownBitByBit(t *testing.T) {
	p := drawn(t, measured("quay line", sent(t, 3, wave.Sender{}), nil))
	bits := 0
	for _, text := range p.texts {
		if text == "0" || text == "1" {
			bits++
		}
	}
	// NMRA S-9.2 (July 2004), section A, the figure: a start bit before each of three bytes, and an end bit; ten ones before and nine behind
	const want = 3*9 + 1 + 10 + 9
	if ticks := 3; bits != want+ticks-1 { // a 1 and a 0 on the axes
		t.Errorf("%d bits, want %d and two ticks: %q", bits, want, p.texts)
	}
	for _, want := range []string{"quay line", "Packet at 0.001624 s", "37", "74", "43"} {
		if !p.has(want) {
			t.Errorf("the picture says %q, want %q among it", p.texts, want)
		}
	}
	if p.title != "quay line" || !strings.Contains(p.desc, "behind 14 ones: bytes 37 74 43") {
		t.Errorf("title %q, description %q", p.title, p.desc)
	}
}

func TestNothingSeenIsSaidAndDrawn(t *testing.T) {
	for name, s := range map[string]Signal{"zero": {}, "measured": measured("", nil, nil), "voltages": {Voltage: conform.Voltage{Series: []conform.Point{{}}}},
		"strip": {Strips: []conform.Strip{{}}}} {
		if p := drawn(t, s); !p.has("No half-bit was seen.") {
			t.Errorf("%s: the picture says %q", name, p.texts)
		}
	}
}

func TestNamesOfACaptureDoNothingToThePicture(t *testing.T) {
	signal := measured("", sent(t, 3, wave.Sender{}), nil)
	for _, name := range []string{
		`</title></svg><script>alert(1)</script>`, `"quoted" & <b>bold</b> ]]> <!--`, "null \x00, escape \x1b[31m, bell \a, line\nline\r\ttab",
		"half a rune \xc3, turned \u202e, none \ufffe\uffff", strings.Repeat("very long ", 20000), `style="font-family:Liberation Sans;`,
	} {
		signal.Title = name
		p := drawn(t, signal)
		if strings.ContainsAny(p.title, "\x00\x1b\a\n\r\t\u202e\ufffe\uffff\ufffd") || !strings.HasPrefix(p.title, name[:4]) {
			t.Errorf("name %.60q: title %.60q", name, p.title)
		}
		if width := bold(words(wide.large, ink)).Width(p.texts[0]); width > wide.across() {
			t.Errorf("name %.60q: its title is %v wide", name, width)
		}
	}
}

func TestTheSameSignalGivesTheSameBytes(t *testing.T) {
	halves := sent(t, 20, wave.Sender{}, wave.Sender{Fault: wave.LongHalf}, wave.Sender{Stretch: 5 * time.Millisecond})
	var first bytes.Buffer
	for i := range 5 {
		var again bytes.Buffer
		if err := measured("again", halves, volts(len(halves), 15, 14)).WriteSVG(&again); err != nil {
			t.Fatal(err)
		}
		if i == 0 {
			first = again
		} else if !bytes.Equal(first.Bytes(), again.Bytes()) {
			t.Fatal("the picture is another one each time")
		}
	}
}

// volts are those of so many halves.
func volts(n int, positive, negative wave.Volts) []wave.Volts {
	all := make([]wave.Volts, n)
	for i := range all {
		all[i] = positive
		if i%2 == 1 {
			all[i] = -negative
		}
	}
	return all
}

// full takes no more than it has room for.
type full struct{ room int }

var errFull = errors.New("no room")

func (f *full) Write(p []byte) (int, error) {
	if len(p) > f.room {
		return f.room, errFull
	}
	f.room -= len(p)
	return len(p), nil
}

func TestAnErrorOfTheWriterIsReturned(t *testing.T) {
	if err := (Signal{}).WriteSVG(&full{room: 10}); !errors.Is(err, errFull) {
		t.Errorf("error %v, want %v", err, errFull)
	}
}

func FuzzAnySignalIsDrawn(f *testing.F) {
	f.Add("quay line", []byte{58, 0, 0, 0, 58, 0, 0, 0}, false)
	f.Add("<&>", []byte{255, 255, 255, 255, 1, 0, 0, 0}, true)
	f.Fuzz(func(t *testing.T, title string, raw []byte, withVolts bool) {
		halves := sent(t, 2, wave.Sender{})
		var all []wave.Volts
		for len(raw) >= 4 {
			n := binary.LittleEndian.Uint32(raw)
			halves, raw = append(halves, time.Duration(n%20_000_000)+1), raw[4:]
			if n%7 == 0 {
				halves = wave.Sender{Fault: wave.Fault(n / 7 % 10), At: int(n / 70 % 60)}.Append(halves, example(t))
			}
		}
		if withVolts {
			all = volts(len(halves), 15, 14)
			for i, half := range halves {
				if half%5 == 0 {
					all[i] = wave.Volts(math.Float64frombits(uint64(half) * 0x9E3779B97F4A7C15))
				}
			}
		}
		signal := measured(title, halves, all)
		drawn(t, signal)
		inlined(t, signal, Inline{Narrow: true})
	})
}
