package capture_test

import (
	"fmt"
	"io"
	"os"
	"slices"

	"fettle/nmra"
	"fettle/nmra/wave"
	"fettle/nmra/wave/capture"
)

// The packets in a capture, with the time at which each begins.
func ExampleOpen() {
	// Harbour tram 3, forward at step 6 of 28.
	tram, err := nmra.NewPacket(0x03, 0x74, 0x77)
	if err != nil {
		fmt.Println(err)
		return
	}
	r, w := io.Pipe()
	go func() {
		w.CloseWithError(capture.WriteVCD(w, slices.Values(wave.Sender{}.Append(wave.Sender{}.Append(nil, tram), tram))))
	}()

	c, err := capture.Open(r, capture.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(c.Info().Form, c.Info().Signal)
	var b capture.Batch
	var scanner wave.Scanner
	err = c.Next(&b)
	first := b.Start // a Scanner counts from there
	for ; err == nil; err = c.Next(&b) {
		for rest := b.Halves; len(rest) > 0; {
			n, found := scanner.Scan(rest)
			rest = rest[n:]
			if found.Kind == wave.PacketFound {
				fmt.Println(first+found.Start, found.Packet)
			}
		}
	}
	if err != io.EOF {
		fmt.Fprintln(os.Stderr, err)
	}
	// Output:
	// VCD track.rail
	// 1.624ms 03 74 77
	// 7.756ms 03 74 77
}
