package cv

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"fettle/nmra"
)

func ExampleExplainValue() {
	held := Values{{CV: 17}: 208, {CV: 18}: 107, {CV: 19}: 0}
	for _, line := range ExplainValue(Register{CV: 29}, 0b0010_0110, held).Lines() {
		fmt.Println(line)
	}
	// Output:
	// register 29 = 38: configuration, mandatory
	// A decoder that lacks a feature must not let its bit be set: a bit that will not set says so.
	// The address in use is 4203, long: registers 17 and 18 hold 208 and 107, bit 5 of 29 is set.
	// bit 0 off, direction: as built
	// bit 1 on, speed steps: 28 and 128
	// bit 2 on, other power: runs on the power that 12 names where there is no DCC
	// bit 3 off, bidirectional communication: off
	// bit 4 off, speed curve: from 2, 5 and 6
	// bit 5 on, address: long, from 17 and 18
	// bit 6 off, reserved: reserved by the standard
	// bit 7 off, kind of decoder: of a vehicle
}

func reg(n nmra.CV) Register { return Register{CV: n} }

func TestAValueMeansWhatTheStandardSays(t *testing.T) {
	steps28 := Values{reg(29): 0b10}
	for _, c := range []struct {
		r       Register
		v       uint8
		context Values
		want    string
	}{
		// NMRA S-9.2.2 (July 2012), CV 3: the example of 2 at 28 steps.
		{reg(3), 2, steps28, "0.064 s a step at 28 steps."},
		// NMRA S-9.2.2 (July 2012), CV 3: value x 0.896 / steps in use.
		{reg(3), 2, nil, "0.128 s a step at 14 steps."},
		{reg(3), 2, nil, "0.014 s a step at 128 steps."},
		{reg(4), 255, Values{reg(29): 0}, "16.320 s a step at 14 steps."},
		// NMRA S-9.2.2 (July 2012), CV 9: (131 + 4 x bits 4-0) x 2^(bits 7-5).
		{reg(9), 0, nil, "Period 131 µs"},
		{reg(9), 255, nil, "Period 32640 µs"},
		{reg(9), 0b001_00001, nil, "Period 270 µs"},
		// NMRA S-9.2.2 (July 2012), CV 17 and 18.
		{reg(17), 208, Values{reg(18): 107, reg(29): 0x20}, "Long address 4203, with 107 in 18."},
		{reg(18), 107, Values{reg(17): 208}, "Long address 4203, with 208 in 17."},
		{reg(17), 191, nil, "No long address"},
		{reg(17), 232, nil, "No long address"},
		{reg(17), 192, nil, "from 0 to 255"},
		{reg(18), 107, nil, "Read 17 as well"},
		// NMRA S-9.2.2 (July 2012), CV 29, bit 5.
		{reg(17), 208, Values{reg(18): 107, reg(29): 0}, "Not in use: bit 5 of 29 is off."},
		{reg(1), 3, Values{reg(29): 0x20}, "Not in use: bit 5 of 29 is on."},
		{reg(1), 3, Values{reg(29): 0}, "In use."},
		// NMRA S-9.2.2 (July 2012), CV 1: 1 to 127, bit 7 must be 0.
		{reg(1), 128, nil, "128 is out of range: 1 to 127"},
		{reg(1), 0, nil, "0 is out of range"},
		// NMRA S-9.2.2 (July 2012), CV 8, 107 and 108.
		{reg(8), 238, nil, "read those"},
		{reg(8), 238, Values{reg(107): 1, reg(108): 2}, "hold 1 and 2"},
		// NMRA S-9.2.3 (July 2012), factory reset: CV 8 reads 255 until it is complete.
		{reg(8), 255, nil, "not complete"},
		// From memory of the NMRA's list of makers' numbers.
		{reg(8), 13, nil, "home-built"},
		// NMRA S-9.2.2 (July 2012), CV 15 and 16.
		{reg(15), 4, Values{reg(16): 4}, "Open"},
		{reg(15), 4, Values{reg(16): 5}, "Locked: 16 holds 5"},
		{reg(16), 4, nil, "Open where 15 holds 4"},
		// NMRA S-9.2.2 (July 2012), CV 19.
		{reg(19), 140, nil, "Consist 12."},
		{reg(19), 128, nil, "In no consist."},
		// NMRA S-9.2.2 (July 2012), CV 23 and 24: bit 7 subtracts.
		{reg(23), 130, steps28, "Takes away 0.064 s a step at 28 steps."},
		{reg(23), 0, steps28, "Changes nothing."},
		{reg(24), 128, steps28, "Changes nothing."},
		{reg(3), 0, steps28, "None: each step is taken up at once."},
		{reg(24), 2, steps28, "Adds 0.064 s a step at 28 steps."},
		// NMRA S-9.2.2 (July 2012), CV 27.
		{reg(27), 0b11, nil, "either sign"},
		{reg(27), 0, nil, "Nothing on the track"},
		// NMRA S-9.2.2 (July 2012), CV 31: 0 to 15 are reserved.
		{reg(31), 16, Values{reg(32): 3}, "Chooses page 16.3."},
		{reg(32), 3, Values{reg(31): 16}, "Chooses page 16.3."},
		{reg(31), 15, nil, "reserved"},
		{reg(32), 3, nil, "Read 31 as well"},
		// NMRA S-9.2.2 (July 2012), CV 66 and 95: n/128, 0 not implemented.
		{reg(66), 64, nil, "multiplied by 0.500"},
		{reg(95), 0, nil, "Not implemented."},
		// NMRA S-9.2.2 (July 2012), CV 67 to 94: 28 values.
		{reg(67), 9, nil, "Entry 1 of 28: 9 of 255."},
		{reg(94), 255, Values{reg(29): 0}, "Not in use: bit 4 of 29 is off."},
		{reg(68), 3, Values{reg(67): 9}, "Slower than the step below it: 67 holds 9."},
		{Register{260, Page{16, 3}}, 7, nil, "On page 16.3."},
		{reg(260), 7, Values{reg(31): 16, reg(32): 3}, "The page chosen is 16.3."},
	} {
		got := ExplainValue(c.r, c.v, c.context).Sentences
		if !slices.ContainsFunc(got, func(s string) bool { return strings.Contains(s, c.want) }) {
			t.Errorf("%v = %d with %v: %q; want %q in one", c.r, c.v, c.context, got, c.want)
		}
	}
}

func TestARegisterHasTheStandardsNameLevelAndDefault(t *testing.T) {
	for _, c := range []struct {
		r    Register
		want string
	}{
		// NMRA S-9.2.2 (July 2012), the table of registers.
		{reg(1), "register 1: primary address, mandatory, 1 to 127, default 3"},
		{reg(2), "register 2: start voltage, recommended"},
		{reg(7), "register 7: version, mandatory, read only"},
		{reg(8), "register 8: maker's number, mandatory, read only"},
		{reg(9), "register 9: motor PWM period, optional"},
		{reg(11), "register 11: packet time-out, recommended"},
		{reg(29), "register 29: configuration, mandatory"},
		{reg(64), "register 64: maker's own, optional"},
		{reg(65), "register 65: kick start, optional"},
		{reg(94), "register 94: speed table, optional"},
		{reg(96), "register 96: no meaning known"},
		{reg(112), "register 112: maker's own, optional"},
		{reg(256), "register 256: maker's own, optional"},
		{Register{257, Page{16, 0}}, "register 257@16.0: indexed area, optional"},
		{reg(513), "register 513: maker's own"},
		{reg(894), "register 894: fuel"},
		{reg(1024), "register 1024: bus modules, optional"},
	} {
		if got := Explain(c.r).Lines()[0]; got != c.want {
			t.Errorf("got %q, want %q", got, c.want)
		}
	}
}

// NMRA S-9.2.2 (July 2012), CV 29 and 27: which bits there are.
func TestEachBitOfAValueIsSaid(t *testing.T) {
	for _, r := range []Register{reg(27), reg(29)} {
		for v := range 256 {
			for i, b := range ExplainValue(r, uint8(v), nil).Bits {
				if int(b.Number) != i || *b.Set != (v>>i&1 == 1) || b.Meaning == "" {
					t.Fatalf("%v = %d: bit %d is %+v", r, v, i, b)
				}
			}
		}
	}
	if got := ExplainValue(reg(29), 0x40, nil).Bits[6].Meaning; got != reservedOn {
		t.Errorf("bit 6 of 29, set: %q", got)
	}
}

func TestTheTableOfRegistersAscendsWithoutOverlap(t *testing.T) {
	var last nmra.CV
	for _, k := range table {
		if k.first <= last || k.last < k.first || k.low > k.high || k.name == "" || !k.last.Valid() {
			t.Errorf("%d to %d, %q, behind %d", k.first, k.last, k.name, last)
		}
		last = k.last
	}
}

func TestAnyValueOfAnyRegisterIsExplained(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, v := anyRegister(t), rapid.Uint8().Draw(t, "value")
		context := rapid.MapOfN(rapid.Custom(func(t *rapid.T) Register {
			return reg(rapid.SampledFrom([]nmra.CV{1, 8, 15, 16, 17, 18, 19, 29, 31, 32, 66, 67, 107, 108}).Draw(t, "known"))
		}), rapid.Uint8(), 0, 14).Draw(t, "context")
		before := len(Explain(r).Sentences)
		e := ExplainValue(r, v, context)
		if e.Name == "" || len(e.Lines()) < 2 || len(Explain(r).Sentences) != before {
			t.Fatalf("%+v", e)
		}
		if _, err := json.Marshal(e); err != nil {
			t.Fatal(err)
		}
	})
}
