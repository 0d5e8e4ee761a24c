package wave_test

import (
	"fmt"
	"os"
	"slices"

	"fettle/nmra"
	"fettle/nmra/wave"
)

// A packet goes out as bits and is found by a receiver.
func Example() {
	sent, err := nmra.NewPacket(0x37, 0x74, 0x43)
	if err != nil {
		fmt.Println(err)
		return
	}
	var receiver wave.Receiver
	for one := range sent.Bits(nmra.Preamble) {
		if receiver.Bit(one) == wave.Complete {
			fmt.Println(receiver.Packet(), "behind", receiver.Lead(), "ones")
		}
	}
	// Output: 37 74 43 behind 14 ones
}

// A decoder that comes into the signal half a bit late finds the packet in its halves.
func ExampleBits() {
	sent, err := nmra.NewPacket(0x37, 0x74, 0x43)
	if err != nil {
		fmt.Println(err)
		return
	}
	halves := slices.Collect(wave.Halves(sent, nmra.Preamble))
	var bits wave.Bits
	var receiver wave.Receiver
	for _, half := range halves[1:] {
		switch bit := bits.Half(half); bit {
		case wave.Zero, wave.One:
			if receiver.Bit(bit == wave.One) == wave.Complete {
				fmt.Println(receiver.Packet(), "behind", receiver.Lead(), "ones")
			}
		case wave.Broken:
			fmt.Println("a half of", half, "fits no bit")
		}
	}
	// Output: 37 74 43 behind 13 ones
}

// The first halves of a packet: a one is 58 µs and 58 µs.
func ExampleWriteCSV() {
	idle, err := nmra.Instruction{Kind: nmra.Idle}.Encode()
	if err != nil {
		fmt.Println(err)
		return
	}
	halves := slices.Collect(wave.Halves(idle, nmra.Preamble))
	if err := wave.WriteCSV(os.Stdout, slices.Values(halves[:4])); err != nil {
		fmt.Println(err)
	}
	// Output:
	// time_us,rail
	// 0,1
	// 58,0
	// 116,1
	// 174,0
	// 232,1
}
