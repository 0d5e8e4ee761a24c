package cv

import (
	"fmt"
	"slices"
	"testing"

	"fettle/nmra"
)

func ExampleAddressInUse() {
	fmt.Println(AddressInUse(Values{{CV: 1}: 3, {CV: 17}: 208, {CV: 18}: 107, {CV: 19}: 0, {CV: 29}: 0b0010_0110}))
	fmt.Println(AddressInUse(Values{{CV: 1}: 3, {CV: 19}: 140, {CV: 29}: 0b0000_0110}))
	// Output:
	// 4203, long: registers 17 and 18 hold 208 and 107, bit 5 of 29 is set
	// 3, short: register 1 holds 3, bit 5 of 29 is not set, on top consist 12, running reversed: register 19 holds 140
}

func TestALongAddressReadsBackFromItsTwoRegisters(t *testing.T) {
	for n := range uint16(nmra.MaxLong + 1) {
		high, low, ok := LongAddress(n)
		back, okBack := LongAddressIn(high, low)
		// NMRA S-9.2.2 (July 2012), CV 17 and 18: (CV 17 - 192) x 256 + CV 18, CV 17 from 192 to 231.
		if !ok || !okBack || back != n || high < 192 || high > 231 || int(high-192)*256+int(low) != int(n) {
			t.Fatalf("%d: %d and %d, back %d", n, high, low, back)
		}
	}
	if _, _, ok := LongAddress(nmra.MaxLong + 1); ok {
		t.Error("10240 was given two registers")
	}
	for high := range 256 {
		if _, ok := LongAddressIn(uint8(high), 0); ok != (high >= 192 && high <= 231) {
			t.Errorf("CV 17 = %d: %v", high, ok)
		}
	}
}

// NMRA S-9.2.2 (July 2012), CV 1, 17, 18, 19 and 29.
func TestTheAddressInUseIsSaidWithWhatDecidesIt(t *testing.T) {
	for _, c := range []struct {
		name    string
		held    Values
		address nmra.Address
		consist uint8
		missing []Register
		want    string
	}{
		{"short", Values{reg(1): 3, reg(19): 0, reg(29): 6}, nmra.Address{Kind: nmra.Short, Number: 3}, 0, nil,
			"3, short: register 1 holds 3, bit 5 of 29 is not set"},
		{"short of 0", Values{reg(1): 0, reg(19): 0, reg(29): 6}, nmra.Address{}, 0, nil,
			"not known: register 1 holds 0, a short address is 1 to 127, bit 5 of 29 is not set"},
		{"short of 128", Values{reg(1): 128, reg(19): 0, reg(29): 6}, nmra.Address{}, 0, nil,
			"not known: register 1 holds 128, a short address is 1 to 127, bit 5 of 29 is not set"},
		{"no long address", Values{reg(17): 0, reg(18): 128, reg(19): 0, reg(29): 0x20}, nmra.Address{}, 0, nil,
			"not known: register 17 holds 0, a long address needs 192 to 231 there, bit 5 of 29 is set"},
		{"half of a long address", Values{reg(1): 3, reg(17): 208, reg(19): 0, reg(29): 0x20}, nmra.Address{}, 0, []Register{reg(18)},
			"not known: register 18 was not read, bit 5 of 29 is set"},
		{"nothing", nil, nmra.Address{}, 0, []Register{reg(29), reg(19)},
			"not known: register 29 was not read, register 19 was not read"},
		{"accessory", Values{reg(19): 0, reg(29): 0x80}, nmra.Address{}, 0, nil,
			"not known: bit 7 of 29 is set: an accessory decoder, whose address is not kept as a vehicle's is"},
		{"consist", Values{reg(17): 192, reg(18): 0, reg(19): 12, reg(29): 0x20}, nmra.Address{Kind: nmra.Long}, 12, nil,
			"0, long: registers 17 and 18 hold 192 and 0, bit 5 of 29 is set, on top consist 12: register 19 holds 12"},
		{"reversed in no consist", Values{reg(1): 3, reg(19): 128, reg(29): 0}, nmra.Address{Kind: nmra.Short, Number: 3}, 0, nil,
			"3, short: register 1 holds 3, bit 5 of 29 is not set"},
	} {
		t.Run(c.name, func(t *testing.T) {
			u := AddressInUse(c.held)
			if u.Address != c.address || u.Consist != c.consist || u.Known != (c.address != nmra.Address{}) || !slices.Equal(u.Missing, c.missing) {
				t.Errorf("got %+v", u)
			}
			if got := u.String(); got != c.want {
				t.Errorf("got  %q\nwant %q", got, c.want)
			}
		})
	}
}
