package bench

import (
	"maps"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"fettle/nmra"
	"fettle/nmra/cv"
)

// model is what a decoder with a few registers is to hold and to answer, told apart from how it comes to know of it.
type model struct {
	spec   Spec
	values cv.Values
	high   *uint8 // CV 17, as long as CV 18 has not been written
	reset  bool
}

func (m *model) behind(n nmra.CV) cv.Register {
	if high := m.values[at(31)]; n >= 257 && n <= 512 && high >= 16 {
		return cv.Register{CV: n, Page: cv.Page{High: high, Low: m.values[at(32)]}}
	}
	return at(n)
}

// do says whether the access is to be acknowledged, and changes the model by it.
func (m *model) do(a nmra.Access) bool {
	r := m.behind(a.CV)
	holds, there := m.values[r]
	if a.CV == 17 && m.high != nil {
		holds = *m.high
	}
	if a.CV == 8 && m.reset {
		holds = 255
	}
	value := a.Value
	switch {
	case !there:
		return false
	case a.Operation == nmra.Verify:
		return holds == a.Value
	case a.Operation == nmra.VerifyBit:
		return holds&(1<<a.Bit) != 0 == a.BitValue
	case a.Operation == nmra.WriteBit:
		if value = holds &^ (1 << a.Bit); a.BitValue {
			value = holds | 1<<a.Bit
		}
	}
	switch {
	case a.CV == 7, m.spec.ReadOnly[r], m.values[at(15)] != m.values[at(16)] && a.CV != 15:
		return false
	case a.CV == 8:
		m.reset = m.reset || value == 8
		return value == 8
	case a.CV == 17:
		m.high = &value
		return true
	case a.CV == 18 && m.high != nil:
		m.values[at(17)], m.high = *m.high, nil
	case a.CV == 1:
		m.values[at(29)] &= 0b1101_1111
		m.values[at(19)] = 0
	}
	if span, ok := m.spec.Clamp[r]; ok {
		value = max(span.Least, min(span.Most, value))
	}
	if mask, ok := m.spec.Mask[r]; ok {
		value = holds&^mask | value&mask
	}
	m.values[r] = value
	return true
}

func (m *model) powerCycle() {
	m.high = nil
	if m.reset {
		m.values, m.reset = maps.Clone(m.spec.Registers), false
	}
}

func TestAnyAccessesAgreeWithAModelOfTheRegisters(t *testing.T) {
	spec := plain()
	maps.Copy(spec.Registers, cv.Values{at(15): 0, at(16): 0, at(31): 16, at(32): 0, at(257): 5,
		{CV: 257, Page: cv.Page{High: 16}}: 6, {CV: 257, Page: cv.Page{High: 16, Low: 1}}: 7})
	spec.ReadOnly = map[cv.Register]bool{at(2): true}
	spec.Mask = map[cv.Register]uint8{at(29): 0b0010_0111}
	spec.Clamp = map[cv.Register]Range{at(4): {5, 180}}
	numbers := []nmra.CV{1, 2, 3, 4, 7, 8, 15, 16, 17, 18, 19, 29, 31, 32, 40, 257, 258}
	values := []uint8{0, 1, 3, 8, 12, 13, 16, 32, 127, 128, 255}
	rapid.Check(t, func(rt *rapid.T) {
		d := spec.New(1)
		b := New(d)
		powerOn(t, b)
		m := &model{spec: spec, values: maps.Clone(spec.Registers)}
		for range rapid.IntRange(1, 40).Draw(rt, "accesses") {
			if rapid.IntRange(0, 9).Draw(rt, "power cycle") == 0 {
				powerCycle(t, b)
				m.powerCycle()
			}
			a := nmra.Access{
				Mode:      rapid.SampledFrom(nmra.Modes[:]).Draw(rt, "mode"),
				Operation: nmra.Operation(rapid.IntRange(0, 3).Draw(rt, "operation")),
				CV:        rapid.SampledFrom(numbers).Draw(rt, "cv"),
			}
			if a.Operation == nmra.VerifyBit || a.Operation == nmra.WriteBit {
				a.Bit, a.BitValue = rapid.Uint8Max(7).Draw(rt, "bit"), rapid.Bool().Draw(rt, "bit value")
			} else {
				a.Value = rapid.OneOf(rapid.SampledFrom(values), rapid.Byte()).Draw(rt, "value")
			}
			if _, err := a.Sequence(); err != nil {
				continue // the mode has no packet for it
			}
			if got, want := do(t, b, a).Acknowledged, m.do(a); got != want {
				rt.Fatalf("%v: acknowledged %v, want %v", a, got, want)
			}
			want := maps.Clone(m.values)
			if m.high != nil {
				want[at(17)] = *m.high
			}
			if m.reset {
				want[at(8)] = 255
			}
			if diff := cmp.Diff(want, d.Values()); diff != "" {
				rt.Fatalf("after %v (-model +decoder)\n%s", a, diff)
			}
		}
	})
}

func FuzzAnyBitsIntoADecoder(f *testing.F) {
	// Each byte of the stream is eight bits, the low one first; after each the track is silent for so many milliseconds.
	var bits []byte
	n := 0
	put := func(p nmra.Packet) {
		for one := range p.Bits(nmra.LongPreamble) {
			if n%8 == 0 {
				bits = append(bits, 0)
			}
			if one {
				bits[len(bits)-1] |= 1 << (n % 8)
			}
			n++
		}
	}
	for _, i := range []nmra.Instruction{nmra.Reset(), askMaker13, nmra.FactoryReset(), {Kind: nmra.DirectWrite, CV: 3, Value: 5}} {
		put(packet(f, i))
		put(packet(f, i))
	}
	f.Add(byte(0), bits)
	f.Add(byte(200), bits)
	f.Fuzz(func(t *testing.T, quiet byte, stream []byte) {
		spec, err := BuiltIn("engine-30")
		if err != nil {
			t.Fatal(err)
		}
		d := spec.New(1)
		b := New(d)
		powerOn(t, b)
		for _, bits := range stream {
			for n := range 8 {
				one := bits>>n&1 == 1
				b.now += nmra.BitTime(one)
				listen(d, one, b.now)
			}
			b.now += time.Duration(quiet) * time.Millisecond
		}
		b.track.Power(false, b.now)
		for r := range d.Values() {
			if _, ok := spec.Registers[r]; !ok {
				t.Fatalf("register %v has come into being", r)
			}
		}
		if len(d.Values()) != len(spec.Registers) {
			t.Fatal("a register has vanished")
		}
	})
}
