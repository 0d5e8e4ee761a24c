package port_test

import (
	"fmt"

	"fettle/station/port"
)

func ExampleOpen() {
	p, err := port.Open("/dev/no-such-port", port.Settings{Baud: 57600})
	if err != nil {
		fmt.Println("told why, and which ports there are")
		return
	}
	defer p.Close()
	// Output: told why, and which ports there are
}

func ExampleSettings() {
	fmt.Println(port.Settings{})
	fmt.Println(port.Settings{Baud: 9600, DataBits: 7, Parity: port.Even, StopBits: 2})
	// Output:
	// 115200 baud, 8N1
	// 9600 baud, 7E2
}
