package session_test

import (
	"fmt"
	"time"

	"fettle/nmra"
	"fettle/nmra/wave"
	"fettle/nmra/wave/session"
)

// A programmer asks a decoder for its maker's number, twice, and is heard.
func Example() {
	// A capture would give these: the halves, and the current with the times from which on it flows.
	var signal []time.Duration
	for _, access := range []nmra.Access{{CV: 8, Value: 12}, {CV: 8, Value: 13}} {
		sequence, err := access.Sequence()
		if err != nil {
			fmt.Println(err)
			return
		}
		for _, step := range sequence {
			for range step.Times {
				signal = wave.Sender{Preamble: nmra.LongPreamble}.Append(signal, step.Packet)
			}
		}
	}
	current := []struct {
		at    time.Duration
		drawn wave.Milliamps
	}{{0, 8}, {120 * time.Millisecond, 88}, {126 * time.Millisecond, 8}}

	var scanner wave.Scanner
	var listener session.Listener
	for len(signal) > 0 {
		n, found := scanner.Scan(signal)
		listener.Packet(found)
		signal = signal[n:]
	}
	for _, c := range current {
		listener.Current(c.at, c.drawn)
	}
	listener.End()
	for q, ok := listener.Next(); ok; q, ok = listener.Next() {
		fmt.Println(q.Access, q.Packets, "packets:", q.Answer, q.Length)
	}
	fmt.Println(listener.Known().Registers)
	// Output:
	// direct: is CV 8 equal to 12? 5 packets: silent 0s
	// direct: is CV 8 equal to 13? 5 packets: acknowledged 6ms
	// map[8:13]
}
