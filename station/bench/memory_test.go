package bench

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"fettle/nmra"
	"fettle/nmra/cv"
)

func TestAFactoryResetTakesItsPowerCyclesAndHoldsCV8At255(t *testing.T) {
	spec := plain()
	spec.PowerCycles = 2
	b, d := on(t, spec)
	write(t, b, 3, 99)
	write(t, b, 1, 44)
	// NMRA S-9.2.3 (July 2012), section E: the published packet, sent as a register write.
	published := raw(t, 0x7F, 0x08, 0x77)
	if got := play(t, b, published, published); got != 1 {
		t.Fatalf("acknowledged %d times, want 1", got)
	}
	for cycle := range 2 {
		// NMRA S-9.2.3 (July 2012), section E: CV 8 reads 255 until the reset is complete.
		if !holds(t, b, 8, 255) || holds(t, b, 8, 13) {
			t.Errorf("CV 8 is not 255 after %d power cycles", cycle)
		}
		if d.Values()[at(3)] != 99 {
			t.Errorf("CV 3 was reset after %d power cycles, want after 2", cycle)
		}
		powerCycle(t, b)
	}
	if diff := cmp.Diff(spec.Registers, d.Values()); diff != "" {
		t.Errorf("after the reset (-file +decoder)\n%s", diff)
	}
	if !holds(t, b, 8, 13) {
		t.Error("CV 8 is not 13 again")
	}
}

func TestAFactoryResetIsAskedForInAnyMode(t *testing.T) {
	for _, mode := range []nmra.Mode{nmra.Direct, nmra.Paged, nmra.Registers} {
		b, d := on(t, plain())
		write(t, b, 3, 99)
		if !do(t, b, nmra.Access{Mode: mode, Operation: nmra.Write, CV: 8, Value: 8}).Acknowledged {
			t.Errorf("%v: not acknowledged", mode)
		}
		powerCycle(t, b)
		if got := d.Values()[at(3)]; got != 12 {
			t.Errorf("%v: CV 3 holds %d, want 12", mode, got)
		}
	}
}

func TestWritingCV1ByAnyMethodClearsBit5OfCV29AndCV19(t *testing.T) {
	for _, mode := range nmra.Modes {
		b, d := on(t, plain())
		write(t, b, 29, 0b0010_0110)
		write(t, b, 19, 130)
		if !do(t, b, nmra.Access{Mode: mode, Operation: nmra.Write, CV: 1, Value: 44}).Acknowledged {
			t.Errorf("%v: not acknowledged", mode)
		}
		// NMRA S-9.2.3 (July 2012), section E.
		if got := d.Values(); got[at(1)] != 44 || got[at(29)] != 0b0000_0110 || got[at(19)] != 0 {
			t.Errorf("%v: CV 1, 29 and 19 hold %d, %08b and %d; want 44, 00000110 and 0", mode, got[at(1)], got[at(29)], got[at(19)])
		}
	}
}

func TestWritesAreObeyedOnlyWhileCV15EqualsCV16(t *testing.T) {
	spec := plain()
	spec.Registers[at(15)], spec.Registers[at(16)] = 0, 0
	b, d := on(t, spec)
	if !write(t, b, 16, 7) {
		t.Fatal("CV 16 could not be written while the lock was open")
	}
	// NMRA S-9.2.2 (July 2012), CV 15 and 16.
	if write(t, b, 3, 99) || write(t, b, 16, 0) || write(t, b, 8, 8) || d.Values()[at(3)] != 12 {
		t.Error("a locked decoder obeyed a write")
	}
	if !holds(t, b, 3, 12) {
		t.Error("a locked decoder does not answer a verify")
	}
	if !write(t, b, 15, 9) || !write(t, b, 15, 7) {
		t.Error("CV 15 of a locked decoder can't be written")
	}
	if !write(t, b, 3, 99) || d.Values()[at(3)] != 99 {
		t.Error("the lock is open, but a write was not obeyed")
	}
}

func TestCV17TakesEffectWhenCV18IsWritten(t *testing.T) {
	b, d := on(t, plain())
	if !write(t, b, 17, 208) || !holds(t, b, 17, 208) {
		t.Error("CV 17 does not answer to what was written to it")
	}
	powerCycle(t, b)
	if !holds(t, b, 17, 192) {
		t.Error("CV 17 took effect without CV 18")
	}
	write(t, b, 17, 208)
	write(t, b, 18, 107)
	powerCycle(t, b)
	// NMRA S-9.2.2 (July 2012), CV 17 and 18.
	if got := d.Values(); got[at(17)] != 208 || got[at(18)] != 107 {
		t.Errorf("CV 17 and 18 hold %d and %d, want 208 and 107", got[at(17)], got[at(18)])
	}
}

func TestCV31And32ChooseWhatStandsBehind257To512(t *testing.T) {
	spec := plain()
	page := func(high, low uint8) cv.Register { return cv.Register{CV: 260, Page: cv.Page{High: high, Low: low}} }
	for r, v := range map[cv.Register]uint8{at(31): 0, at(32): 0, at(257): 5, page(16, 0): 60, page(16, 3): 63, page(17, 0): 70, at(512): 1} {
		spec.Registers[r] = v
	}
	b, d := on(t, spec)
	choose := func(high, low uint8) {
		write(t, b, 31, high)
		write(t, b, 32, low)
	}
	for _, c := range []struct{ high, low, value uint8 }{{16, 0, 60}, {16, 3, 63}, {17, 0, 70}} {
		choose(c.high, c.low)
		if !holds(t, b, 260, c.value) || holds(t, b, 257, 5) {
			t.Errorf("page %d.%d: not the page's registers answer", c.high, c.low)
		}
	}
	choose(16, 3)
	if !write(t, b, 260, 99) || d.Values()[page(16, 3)] != 99 || d.Values()[page(16, 0)] != 60 {
		t.Error("a write to 260@16.3 did not change that register alone")
	}
	choose(18, 0)
	if holds(t, b, 260, 0) || write(t, b, 260, 1) {
		t.Error("a register answers on a page that the decoder has not")
	}
	// NMRA S-9.2.2 (July 2012), CV 31: 0 to 15 are reserved.
	choose(15, 0)
	if holds(t, b, 260, 60) || !holds(t, b, 257, 5) || !holds(t, b, 512, 1) {
		t.Error("with CV 31 = 15 the registers on no page do not answer")
	}
}

func TestARegisterKeepsToItsLimits(t *testing.T) {
	spec := plain()
	spec.ReadOnly = map[cv.Register]bool{at(2): true}
	spec.Mask = map[cv.Register]uint8{at(29): 0b0010_0111}
	spec.Registers[at(29)] = 0b0100_0110
	spec.Clamp = map[cv.Register]Range{at(4): {5, 180}}
	spec.Changing = map[cv.Register]bool{at(65): true}
	b, d := on(t, spec)
	for _, c := range []struct {
		name         string
		n            nmra.CV
		value        uint8
		acknowledged bool
		want         uint8
	}{
		{"read only", 2, 99, false, 10},
		{"the version", 7, 99, false, 21},
		{"the maker's number", 8, 99, false, 13},
		{"masked", 29, 0xFF, true, 0b0110_0111},
		{"masked", 29, 0x00, true, 0b0100_0000},
		{"clamped above", 4, 255, true, 180},
		{"clamped below", 4, 0, true, 5},
		{"within", 4, 100, true, 100},
	} {
		if got := write(t, b, c.n, c.value); got != c.acknowledged || d.Values()[at(c.n)] != c.want {
			t.Errorf("%s: CV %d = %d: acknowledged %v, holds %d; want %v, %d", c.name, c.n, c.value, got, d.Values()[at(c.n)], c.acknowledged, c.want)
		}
	}
	if write(t, b, 200, 1) || holds(t, b, 200, 0) {
		t.Error("an absent register answers")
	}
	if write(t, b, 65, 1) {
		t.Error("a register that changes by itself was written")
	}
	before := d.Values()[at(65)]
	silence(b, 2*changingEvery)
	if got := d.Values()[at(65)] - before; got != 2 {
		t.Errorf("a changing register went up by %d in %v, want 2", got, 2*changingEvery)
	}
}

func TestAWriteThatComesWhileAnotherIsOnItsWayIsNotObeyed(t *testing.T) {
	spec := plain()
	spec.WriteTime = 200 * time.Millisecond // longer than an access
	b, d := on(t, spec)
	if write(t, b, 3, 99) || write(t, b, 4, 98) {
		t.Error("acknowledged before the memory was updated")
	}
	silence(b, spec.WriteTime)
	if got := d.Values(); got[at(3)] != 99 || got[at(4)] != 9 {
		t.Errorf("CV 3 and 4 hold %d and %d, want 99 and 9", got[at(3)], got[at(4)])
	}
}
