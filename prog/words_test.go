package prog_test

import (
	"testing"

	"fettle/nmra"
	"fettle/nmra/cv"
	. "fettle/prog"
)

func TestWhatBecameOfARegisterIsSaidWithItsBitsAndItsReason(t *testing.T) {
	configuration := cv.Register{CV: cv.Configuration}
	proven := func(v uint8) Reading { return Reading{Register: configuration, State: Proven, Value: v} }
	for _, c := range []struct {
		row  Row
		want string
	}{
		// NMRA S-9.2.2 (July 2012), CV 29: bit 3 is bi-directional communications, bit 1 the number of steps
		{Row{Register: configuration, Before: proven(6), Wanted: 14, After: proven(14), State: Written}, "written: bit 3 on"},
		{Row{Register: configuration, Before: proven(6), Wanted: 4, After: proven(6), State: Clamped, Note: "bit 1 stays on"}, "clamped: bit 1 stays on"},
		{Row{Register: configuration, State: NoRegister}, "absent: the decoder has no such register"},
		{Row{Register: configuration, State: Unchanged}, "already right"},
		{Row{Register: configuration, State: ReadOnly}, "read only"},
	} {
		if got := c.row.Words(); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
	b := Batch{Rows: []Row{{State: Clamped}, {State: Unchanged}, {State: Written}, {State: Unchanged}}}
	if got, want := b.Counts(), "1 written, 2 already right, 1 clamped"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

func TestAnIdentityIsToldInFacts(t *testing.T) {
	id := Identity{Maker: 13, Version: 21, Modes: []nmra.Mode{nmra.Direct}, Rest: 8,
		Registers: cv.Values{{CV: 1}: 3, {CV: cv.Configuration}: 5}}
	want := []Fact{
		{"maker", "13: home-built"}, {"version", "21"}, {"answers", "direct"}, {"address", id.InUse().String()},
		// NMRA S-9.2.2 (July 2012), CV 29: bit 0 reverses, bit 1 off is 14 steps
		{"direction", "reversed: bit 0 of 29 is set"}, {"steps", "14: bit 1 of 29 is not set, so a station must send it 14 speed steps"},
		{"track", "8 mA at rest; the station does not measure acknowledgements"},
	}
	got := id.Facts(map[uint8]string{13: "home-built"})
	if len(got) != len(want) {
		t.Fatalf("%q, want %q", got, want)
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("%q, want %q", got[i], want[i])
		}
	}
}
