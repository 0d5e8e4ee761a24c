package boardsim_test

import (
	"context"
	"fmt"
	"time"

	"fettle/nmra"
	"fettle/station/bench"
	"fettle/station/board"
	"fettle/station/board/boardsim"
	"fettle/station/board/firmware"
)

// A decoder is asked through the adapter, the link and the real firmware; then the rails are shorted.
func Example() {
	ctx := context.Background()
	spec, err := bench.BuiltIn("tram-3")
	if err != nil {
		fmt.Println(err)
		return
	}
	sim, err := boardsim.New(firmware.Image, bench.NewTrack(spec.New(1)))
	if err != nil {
		fmt.Println(err)
		return
	}
	b, err := board.New(sim, "simulated")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer b.Close()
	if _, err := b.PowerOn(ctx); err != nil {
		fmt.Println(err)
		return
	}
	ask := nmra.Access{CV: 8, Value: 13}
	answer, err := b.Service(ctx, ask)
	fmt.Println(ask, answer.Acknowledged, err)

	sim.At(sim.Now()+10*time.Millisecond, func(s *boardsim.Surroundings) { s.Load = 1200 })
	_, err = b.Service(ctx, ask)
	fmt.Println(err)
	fmt.Println(sim.Record().Check())
	// Output:
	// direct: is CV 8 equal to 13? true <nil>
	// overload: 1206 mA on the programming track, at most 250 mA are allowed; its power is off
	// <nil>
}
