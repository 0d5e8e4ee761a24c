package board_test

import (
	"context"
	"fmt"

	"fettle/nmra"
	"fettle/station"
	"fettle/station/board"
	"fettle/station/port"
)

// Does the decoder on the board's programming track hold 13 in CV 8?
func ExampleNew() {
	var line port.Line // to the board: a *port.Port
	b, err := board.New(line, "/dev/ttyUSB0")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer b.Close()
	var track station.ProgrammingTrack = b
	draw, err := track.PowerOn(context.Background())
	if err != nil {
		fmt.Println(err)
		return
	}
	answer, err := track.Service(context.Background(), nmra.Access{Operation: nmra.Verify, CV: 8, Value: 13})
	fmt.Println(draw.Rest, answer.Acknowledged, err)
}
