package station_test

import (
	"context"
	"fmt"

	"fettle/nmra"
	"fettle/station"
	_ "fettle/station/bench"
)

// Does the decoder hold 13 in CV 8?
func ExampleOpen() {
	s, err := station.Open("bench:nothing")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer s.Close()
	fmt.Println(s.Describe())
	track, ok := s.(station.ProgrammingTrack)
	if !ok {
		fmt.Println("it has no programming track")
		return
	}
	draw, err := track.PowerOn(context.Background())
	if err != nil {
		fmt.Println(err)
		return
	}
	answer, err := track.Service(context.Background(), nmra.Access{Operation: nmra.Verify, CV: 8, Value: 13})
	fmt.Println(draw.Rest, answer.Acknowledged, err)
	// Output:
	// simulated bench: nothing on the track
	// 0 false <nil>
}
