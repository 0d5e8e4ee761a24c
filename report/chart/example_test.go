package chart_test

import (
	"fmt"
	"os"
	"path/filepath"
	"time"

	"fettle/nmra"
	"fettle/nmra/wave"
	"fettle/nmra/wave/conform"
	"fettle/report/chart"
	"fettle/station"
	"fettle/trial"
)

// A signal is measured, and drawn into a file.
func Example() {
	idle, err := nmra.Instruction{Kind: nmra.Idle}.Encode()
	if err != nil {
		fmt.Println(err)
		return
	}
	var halves []time.Duration
	for _, fault := range []wave.Fault{wave.NoFault, wave.LongHalf, wave.NoFault} {
		halves = wave.Sender{Fault: fault}.Append(halves, idle)
	}

	var meter conform.Meter
	var strips conform.Strips
	strips.Halves(0, halves, nil)
	for rest := halves; len(rest) > 0; {
		n, found := meter.Scan(rest)
		strips.Found(found, 0)
		rest = rest[n:]
	}
	strips.Found(meter.End(), 0)

	signal := chart.Signal{Title: "Quay line, channel rail", Result: meter.Result(), Strips: strips.List()}
	dir, err := os.MkdirTemp("", "chart")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	file, err := os.Create(filepath.Join(dir, "quay.svg"))
	if err != nil {
		fmt.Println(err)
		return
	}
	defer file.Close()
	if err := signal.WriteSVG(file); err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(len(signal.Strips), "strip:", signal.Strips[0].Found.Fault)
	// Output: 1 strip: long half
}

// The runs of a trial are judged, and drawn small for a terminal.
func ExampleBraking_Text() {
	t := trial.Trial{
		Title:   "Night-mail engine 30, quay section 2",
		Section: station.Section{Length: 1800},
		Wanted:  trial.Wanted{Stop: 1400, Within: 40, Speeds: []station.MillimetresPerSecond{80, 160, 240}},
	}
	runs := []trial.Run{
		{Number: 1, Made: true, Speed: 80, Stop: 420},
		{Number: 2, Made: true, Speed: 160, Stop: 1390, Lead: station.Rear},
		{Number: 3, Made: true, Speed: 240, Outcome: trial.Overran},
	}
	braking := chart.Braking{Trial: t, Runs: runs, Verdict: trial.Judge(t, runs)}
	fmt.Print(braking.Text())
	// Output:
	// stop, mm past trigger; ^ overran 1
	//       │                                  ^
	//   1800│───────────────────────────────────── room
	//       │
	//   1400│::::::::::::::::::::::r:::::::::::::: wanted ±40
	//       │
	//       │
	//       │
	//       │
	//       │
	//       │           f
	//       │
	//      0│
	//       └───────────────────────────────────── mm/s
	//        0            100           200
	// f front leading, r rear leading, * both
}
