package tryout_test

import (
	"context"
	"fmt"
	"log"

	"fettle/prog/tryout"
	"fettle/station"
	"fettle/station/bench"
)

// withDecoder is a person who has put a decoder on the track and does no more.
type withDecoder struct{}

func (withDecoder) Prepare(_ context.Context, stage tryout.Stage) error {
	if stage.Scene != station.WithDecoder {
		return tryout.ErrNotPrepared
	}
	return nil
}

func ExampleTry() {
	shunter, err := bench.BuiltIn("shunter-7")
	if err != nil {
		log.Fatal(err)
	}
	err = tryout.Try(context.Background(), bench.New(shunter.New(0)), withDecoder{}, func(r tryout.Result) {
		if r.State != tryout.NotTried {
			fmt.Println(r.State, r.Name)
		}
	})
	if err != nil {
		log.Fatal(err)
	}
	// Output:
	// yes power on
	// yes current at rest
	// yes acknowledgement
	// yes reading
	// yes strength of acknowledgements
	// yes silence where it is not so
}
