package link_test

import (
	"fmt"

	"fettle/station/board/link"
)

// A host asks for the state of the board, and reads what comes back.
func Example() {
	line := link.NewFrame(link.State, 7).Append(nil)
	fmt.Printf("sent     % X\n", line)

	// What the board makes of it
	answer := link.NewFrame(link.State|link.AnswerBit, 7, link.StateAnswer{Track: link.TrackRunning, CurrentTenths: 834, SupplyTenths: 141})

	var r link.Reader
	for _, b := range answer.Append(nil) {
		f, ok := r.Take(b)
		if !ok {
			continue
		}
		var state link.StateAnswer
		if err := f.Decode(&state); err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("number %d: %.1f mA\n", f.Number, float64(state.CurrentTenths)/10)
	}
	// Output:
	// sent     05 02 07 F4 75 00
	// number 7: 83.4 mA
}

// A train asks a decoder in service mode whether its register 29 holds 6.
func ExampleNewFrame_train() {
	f := link.NewFrame(link.Train, 12,
		link.TrainRequest{Preamble: 20},
		link.StepHead{Head: 4 | link.WindowAfterSecond<<3, Times: 5, Least: 5}, []byte{0x74, 0x1C, 0x06, 0x6E})
	fmt.Println(f)
	// Output: train 12: 14 0C 05 05 74 1C 06 6E
}
