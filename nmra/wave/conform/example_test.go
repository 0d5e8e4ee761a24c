package conform_test

import (
	"fmt"
	"time"

	"fettle/nmra"
	"fettle/nmra/wave"
	"fettle/nmra/wave/conform"
)

// A station sends a preamble that is one too short, and the same packet again too soon.
func Example() {
	packet, err := nmra.NewPacket(0x37, 0x74, 0x43)
	if err != nil {
		fmt.Println(err)
		return
	}
	sender := wave.Sender{Preamble: 12}
	signal := sender.Ones(sender.Append(sender.Append(nil, packet), packet), 1)

	var meter conform.Meter
	for len(signal) > 0 {
		n, found := meter.Scan(signal)
		if found.Kind == wave.PacketFound {
			fmt.Println(found.Start, found.Packet)
		}
		signal = signal[n:]
	}
	meter.End()
	result := meter.Result()
	for _, rule := range result.Rules {
		if rule.Verdict == conform.Broken {
			fmt.Printf("%s: %s is %v %s, first at %v\n", rule.Section, rule.Name, rule.Least, rule.Unit, rule.First)
		}
	}
	one := result.Rules[conform.OneSent]
	fmt.Println(one.Name, one.Verdict, "with", one.Median, one.Unit)
	// Output:
	// 1.392ms 37 74 43
	// 7.292ms 37 74 43
	// S-9.2, section A: preamble, sent is 13 bits, first at 7.292ms
	// S-9.2, section C: between packets to one address is 1.392 ms, first at 7.292ms
	// half of a one, sent kept with 58 µs
}

// A vehicle runs over plain track, and then into a section whose positive half-waves are 2 V higher.
func ExampleVoltmeter() {
	var meter conform.Voltmeter
	at := time.Duration(0)
	run := func(positive, negative wave.Volts) {
		for range 5000 {
			meter.Halves(at, []time.Duration{nmra.HalfOne, nmra.HalfOne}, []wave.Volts{positive, -negative})
			at += 2 * nmra.HalfOne
		}
	}
	run(15, 15)
	run(16, 14)
	voltage := meter.Result(conform.H0Scale)
	if section, found := voltage.Section(); found {
		fmt.Printf("%v from %v on, by %.1f V, interrupted %d times\n",
			section.Lean, section.From.Round(10*time.Millisecond), section.Difference, len(section.Interrupted))
	}
	// Output: more positive from 580ms on, by 2.0 V, interrupted 0 times
}
