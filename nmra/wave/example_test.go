package wave_test

import (
	"fmt"

	"fettle/nmra"
	"fettle/nmra/wave"
)

// Three packets go out, the second with a fault, and are looked for in the signal.
func Example() {
	packet, err := nmra.NewPacket(0x37, 0x74, 0x43)
	if err != nil {
		fmt.Println(err)
		return
	}
	var good wave.Sender
	bad := wave.Sender{Fault: wave.WrongCheck}
	signal := good.Append(bad.Append(good.Append(nil, packet), packet), packet)

	var scanner wave.Scanner
	tell := func(found wave.Finding) {
		switch found.Kind {
		case wave.PacketFound:
			fmt.Println(found.Start, "packet", found.Packet)
		case wave.FaultFound:
			fmt.Println(found.Start, found.Fault, found.Packet)
		}
	}
	for len(signal) > 0 {
		n, found := scanner.Scan(signal)
		tell(found)
		signal = signal[n:]
	}
	tell(scanner.End())
	// Output:
	// 1.624ms packet 37 74 43
	// 7.756ms wrong check 37 74 42
	// 13.972ms packet 37 74 43
}

// A packet goes out as bits and is found by a receiver.
func ExampleReceiver() {
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
	halves := wave.Sender{}.Append(nil, sent)
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
