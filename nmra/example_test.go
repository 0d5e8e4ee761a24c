package nmra_test

import (
	"errors"
	"fmt"

	"fettle/nmra"
)

// The packet that S-9.2 prints as its example, to bytes and back into words.
func Example() {
	forward := nmra.Instruction{
		Kind:    nmra.Speed,
		Address: nmra.Address{Kind: nmra.Short, Number: 55},
		Steps:   nmra.Steps28,
		Step:    6,
		Forward: true,
	}
	p, err := forward.Encode()
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(p)

	heard, err := nmra.Parse(nmra.MainTrack, []byte{0x37, 0x74, 0x43})
	fmt.Println(heard, err)
	// Output:
	// 37 74 43
	// address 55: forward, step 6 of 28 <nil>
}

// A packet that was damaged on its way still says what it can.
func ExampleParse_damaged() {
	heard, err := nmra.Parse(nmra.MainTrack, []byte{0x37, 0x74, 0x42})
	fmt.Println(heard)
	fmt.Println(err, errors.Is(err, nmra.ErrCheck))
	// Output:
	// address 55: forward, step 6 of 28
	// packet: wrong check byte: byte 3 is 42, want 43 true
}

// The packets that ask a decoder on the programming track whether CV 8 is 13.
func ExampleAccess_Sequence() {
	sequence, err := nmra.Access{Operation: nmra.Verify, CV: 8, Value: 13}.Sequence()
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, step := range sequence {
		fmt.Println(step.Times, "times", step.Packet)
	}
	fmt.Println(sequence.Airtime())
	// Output:
	// 3 times 00 00 00
	// 5 times 74 07 0D 7E
	// 64.968ms
}
