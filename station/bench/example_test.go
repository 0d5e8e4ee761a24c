package bench_test

import (
	"context"
	"fmt"

	"fettle/nmra"
	"fettle/station/bench"
)

func Example() {
	spec, err := bench.BuiltIn("tram-3")
	if err != nil {
		fmt.Println(err)
		return
	}
	track := bench.New(spec.New(1))
	defer track.Close()
	draw, err := track.PowerOn(context.Background())
	if err != nil {
		fmt.Println(err)
		return
	}
	answer, err := track.Service(context.Background(), nmra.Access{CV: 8, Value: 13})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(track.Describe())
	fmt.Printf("%.0f mA at rest; is CV 8 equal to 13? %v: %.0f mA for %v\n", draw.Rest, answer.Acknowledged, answer.Height, answer.Pulse)
	// Output:
	// simulated bench: harbour tram 3
	// 8 mA at rest; is CV 8 equal to 13? true: 82 mA for 6.1ms
}
