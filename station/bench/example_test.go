package bench_test

import (
	"context"
	"fmt"
	"time"

	"fettle/nmra"
	"fettle/station"
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

func ExampleBench_Place() {
	spec, err := bench.BuiltIn("engine-30")
	if err != nil {
		fmt.Println(err)
		return
	}
	spec.Vehicle.Scatter = bench.Scatter{}
	layout := bench.New(spec.New(1))
	defer layout.Close()
	ctx := context.Background()
	drive := func() error {
		if err := layout.Lay(station.Section{Length: 1800, Room: 1800, Asymmetric: 2}); err != nil {
			return err
		}
		if err := layout.Place(station.Front, station.With); err != nil {
			return err
		}
		if _, err := layout.PowerOn(ctx); err != nil {
			return err
		}
		to := nmra.Address{Kind: nmra.Short, Number: 30}
		step, err := nmra.Instruction{Kind: nmra.Speed, Address: to, Steps: nmra.Steps28, Step: 14, Forward: true}.Encode()
		if err != nil {
			return err
		}
		if err := layout.Send(ctx, step, 2); err != nil {
			return err
		}
		for v := layout.Look(); v.Past < 0 || v.Speed > 0; v = layout.Look() {
			if err := layout.Wait(ctx, 100*time.Millisecond); err != nil {
				return err
			}
		}
		return nil
	}
	if err := drive(); err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("at rest %v past the trigger\n", layout.Look().Past)
	// Output:
	// at rest 1200 mm past the trigger
}
