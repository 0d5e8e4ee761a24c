package prog_test

import (
	"context"
	"fmt"
	"os"
	"time"

	"fettle/nmra/cv"
	"fettle/prog"
	"fettle/prog/journal"
	"fettle/prog/regset"
	"fettle/station/bench"
)

// A register set goes onto a decoder and is proven there: planned, written, read again after a power cycle.
func Example() {
	ctx := context.Background()
	spec, err := bench.BuiltIn("tram-3")
	if err != nil {
		fmt.Println(err)
		return
	}
	track := bench.New(spec.New(1)) // or a station.ProgrammingTrack from station.Open
	defer track.Close()

	folder, err := os.MkdirTemp("", "fettle")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(folder)
	kept := journal.New(folder, "tram-3", journal.Header{Batch: "apply", When: time.Now()})

	session, err := prog.Start(ctx, track, prog.DefaultBound, kept)
	if err != nil {
		fmt.Println(err)
		return
	}
	set := regset.Set{Registers: cv.Values{{CV: 3}: 12, {CV: 5}: 250}}
	plan, err := prog.Prepare(ctx, session, set)
	if err != nil {
		fmt.Println(err)
		return
	}
	batch, err := plan.Apply(ctx, session)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, row := range batch.Rows {
		fmt.Printf("%v: %d, %d: %s\n", row.Register, row.Before.Value, row.After.Value, row.State)
	}
	fmt.Println(kept.End("not proven"))
	// Output:
	// 3: 6, 12: written
	// 5: 160, 180: clamped
	// <nil>
}

// Two registers are read, and each value is proven.
func ExampleSession_Read() {
	spec, err := bench.BuiltIn("engine-30")
	if err != nil {
		fmt.Println(err)
		return
	}
	track := bench.New(spec.New(1))
	defer track.Close()
	session, err := prog.Start(context.Background(), track, prog.DefaultBound, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, r := range []cv.Register{{CV: 29}, {CV: 1000}} {
		got, err := session.Read(context.Background(), r)
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Println(got.Register, got.State, got.Value)
	}
	// Output:
	// 29 proven 14
	// 1000 absent 0
}
