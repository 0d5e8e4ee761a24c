package capture_test

import (
	"fmt"
	"os"
	"slices"

	"fettle/nmra"
	"fettle/nmra/wave"
	"fettle/nmra/wave/capture"
)

// The first halves of a packet: a one is 58 µs and 58 µs.
func ExampleWriteCSV() {
	idle, err := nmra.Instruction{Kind: nmra.Idle}.Encode()
	if err != nil {
		fmt.Println(err)
		return
	}
	halves := wave.Sender{}.Append(nil, idle)
	if err := capture.WriteCSV(os.Stdout, slices.Values(halves[:4])); err != nil {
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
