package main

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"slices"
	"strconv"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/spf13/cobra"

	"fettle/nmra/cv"
	"fettle/prog/regset"
	"fettle/station"
	"fettle/trial"
)

// newTrialTune makes the verb trial tune.
func newTrialTune() *cobra.Command {
	cmd := exits(&cobra.Command{
		Use:   "tune TRIAL [RUNS] [flags]",
		Short: "Work out which values make a vehicle stop, or go, as wanted, from its runs.",
		Long: `With a trial of braking: make its runs at two or more values of the register that sets the stopping distance, and name each
value with its file of runs, by --at. It is told which value to write, where the stop is then to be expected, and what a step
of 1 moves it.

With a trial of speed: RUNS are its runs, --held a survey or register set of what the decoder held when they were made. It is
told the speed table, CV 66 to 95, that makes speed proportional to the step or follow --wanted; where the decoder has no
table, CV 2, 5 and 6. With --stop it is told the value of CV 4 that stops it over that distance from the top step.

What comes of it is a register set: --to writes it, fettle apply puts it into the decoder. Then make the runs again: what is
told here is a prediction.`,
		Example: `  fettle trial tune quay-2.toml --at 140=20:at20.csv --at 140=40:at40.csv --to tuned.toml
  fettle trial tune speeds.toml speeds.runs.csv --held engine-30.toml --wanted 14:100,28:300
  fettle trial tune speeds.toml speeds.runs.csv --held engine-30.toml --stop 900`,
		DisableFlagsInUseLine: true,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 || len(args) > 2 {
				return misuse(cmd, "found %d files: want TRIAL, a trial file, and for one of speed RUNS, the CSV file of its runs", len(args))
			}
			return nil
		},
	}, map[status]string{
		done:   "what is wanted is predicted with these values",
		saidNo: "no value is predicted to give what is wanted; the nearest is told",
		badUse: "bad use, a bad file, too few runs, or the file to write is there already",
	})
	var q tuneQuestion
	var to string
	cmd.Flags().StringArrayVar(&q.at, "at", nil, "`REGISTER=VALUE:RUNS`: while the register held the value these runs were made")
	cmd.Flags().StringVar(&q.held, "held", "", "the survey or register set `FILE` of what the decoder held")
	cmd.Flags().StringVar(&q.wanted, "wanted", "", "`STEP:MM_S,...`: the speeds wanted, at steps of 28; straight lines between")
	cmd.Flags().Var(quantity[station.Millimetres]{&q.stop, "mm"}, "stop", "stop over so many `MM` from the top step, by CV 4")
	cmd.Flags().StringVar(&to, "to", "", "the new `FILE` that the register set is written to")
	cmd.MarkFlagsMutuallyExclusive("wanted", "stop")
	asJSON := jsonFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if to != "" {
			if _, err := os.Lstat(to); !errors.Is(err, fs.ErrNotExist) {
				return misuse(cmd, "--to %s: it is there already, want a new name, or move it away", to)
			}
		}
		t, err := trial.Read(args[0])
		if err != nil {
			return err
		}
		a, err := q.answer(cmd, t, args)
		if err != nil {
			return err
		}
		set := regset.Set{Title: "tuned: " + t.Title, Decoder: a.decoder, Registers: a.tuning.Registers, Bits: a.tuning.Bits}
		if to != "" && len(set.Registers) > 0 {
			if err := regset.WriteFile(to, set.Append(nil)); err != nil {
				return err
			}
		} else {
			to = ""
		}
		if *asJSON {
			err = printJSON(cmd.OutOrStdout(), a.describe(t, to))
		} else {
			err = printText(cmd.OutOrStdout(), "%s", a.text(t, set, to))
		}
		if err != nil {
			return err
		}
		return verdict(a.tuning.Reachable)
	}
	return cmd
}

// tuneQuestion is what the flags ask.
type tuneQuestion struct {
	at           []string
	held, wanted string
	stop         station.Millimetres
}

// tuneAnswer is a tuning, with what it predicts as a table.
type tuneAnswer struct {
	tuning  trial.Tuning
	decoder regset.Guard
	stops   []trial.TunedStop
	speeds  []trial.TunedSpeed
}

func (q tuneQuestion) answer(cmd *cobra.Command, t trial.Trial, args []string) (tuneAnswer, error) {
	ofSpeed := len(t.Speed.Steps) > 0
	switch {
	case !ofSpeed && (len(args) != 1 || len(q.at) == 0 || q.held != "" || q.wanted != "" || q.stop != 0):
		return tuneAnswer{}, misuse(cmd, "%s: a trial of braking: want --at REGISTER=VALUE:RUNS two times or more, and no more than that", args[0])
	case ofSpeed && (len(args) != 2 || q.held == "" || len(q.at) != 0):
		return tuneAnswer{}, misuse(cmd, "%s: a trial of speed: want RUNS, the CSV file of its runs, and --held FILE, and no --at", args[0])
	case !ofSpeed:
		return q.distance(cmd, t)
	}
	runs, _, err := trial.ReadRuns(args[1], t)
	if err != nil {
		return tuneAnswer{}, err
	}
	holds, decoder, err := readHeld(q.held)
	if err != nil {
		return tuneAnswer{}, err
	}
	if q.stop != 0 {
		m, err := trial.TuneMomentum(t, runs, holds, q.stop)
		return tuneAnswer{tuning: m.Tuning, decoder: decoder}, asBadUse(err)
	}
	points, err := parseSpeeds(q.wanted)
	if err != nil {
		return tuneAnswer{}, misuse(cmd, "--wanted %s: %v", q.wanted, err)
	}
	s, err := trial.TuneSpeed(t, runs, holds, points...)
	return tuneAnswer{tuning: s.Tuning, decoder: decoder, speeds: s.Steps}, asBadUse(err)
}

func (q tuneQuestion) distance(cmd *cobra.Command, t trial.Trial) (tuneAnswer, error) {
	var register cv.Register
	var settings []trial.Setting
	for i, at := range q.at {
		setting, path, ok := strings.Cut(at, ":")
		name, value, is := strings.Cut(setting, "=")
		r, err := cv.ParseRegister(name)
		n, bad := strconv.ParseUint(value, 10, 8)
		if !ok || !is || path == "" || err != nil || bad != nil {
			return tuneAnswer{}, misuse(cmd, "--at %s: want REGISTER=VALUE:RUNS, as 140=20:runs.csv", at)
		}
		if i > 0 && r != register {
			return tuneAnswer{}, misuse(cmd, "--at %s: found register %v, want %v as before", at, r, register)
		}
		register = r
		runs, _, err := trial.ReadRuns(path, t)
		if err != nil {
			return tuneAnswer{}, err
		}
		settings = append(settings, trial.Setting{Value: uint8(n), Runs: runs})
	}
	d, err := trial.TuneDistance(t, register, settings)
	return tuneAnswer{tuning: d.Tuning, stops: d.Stops}, asBadUse(err)
}

// asBadUse gives an error of the runs the status of a bad file.
func asBadUse(err error) error {
	if err == nil {
		return nil
	}
	return failure{status: badUse, err: err}
}

// readHeld is what a survey or a register set says that registers hold; of a register whose single bits a set names, its other bits count as off.
func readHeld(path string) (cv.Values, regset.Guard, error) {
	file, err := regset.ReadAny(path)
	if err != nil {
		return nil, regset.Guard{}, err
	}
	if s, ok := file.(regset.Survey); ok {
		return s.Registers, s.Decoder, nil
	}
	s := file.(regset.Set)
	held := cv.Values{}
	maps.Copy(held, s.Registers)
	for bit, on := range s.Bits {
		if on {
			held[bit.Register] |= 1 << bit.Bit
		} else {
			held[bit.Register] &^= 1 << bit.Bit
		}
	}
	return held, s.Decoder, nil
}

// parseSpeeds reads "14:100,28:300"; nothing is no points.
func parseSpeeds(s string) (points []trial.SpeedPoint, err error) {
	if s == "" {
		return nil, nil
	}
	for word := range strings.SplitSeq(s, ",") {
		step, speed, _ := strings.Cut(word, ":")
		n, badStep := strconv.ParseUint(step, 10, 8)
		v, badSpeed := strconv.ParseFloat(speed, 64)
		if badStep != nil || badSpeed != nil || !(v > 0 && v <= mostQuantity) {
			return nil, fmt.Errorf("found %q, want STEP:MM_S, as 28:300", word)
		}
		points = append(points, trial.SpeedPoint{Step: uint8(n), Speed: station.MillimetresPerSecond(v)})
	}
	return points, nil
}

// text is what a person is told.
func (a tuneAnswer) text(t trial.Trial, set regset.Set, to string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %s.\n\n", t.Title, t.Vehicle.Name)
	for _, w := range a.tuning.Words {
		b.WriteString(w + "\n")
	}
	if len(a.stops) > 0 {
		rows := newTable(column{"enters at", true}, column{"to scale", true}, column{"runs", true}, column{"stop", true}, column{"between", true})
		for _, s := range a.stops {
			rows.AppendRow(table.Row{s.Speed, scaleSpeed(s.Speed, t.Vehicle.Scale), s.Runs, s.Stop, fmt.Sprintf("%.0f to %.0f mm", float64(s.Low), float64(s.High))})
		}
		b.WriteString("\n" + rows.Render() + "\n")
	}
	if len(a.speeds) > 0 {
		rows := newTable(column{"step", true}, column{"wanted", true}, column{"to scale", true}, column{"front leads", true}, column{"rear leads", true})
		for _, s := range a.speeds {
			rows.AppendRow(table.Row{s.Step, tenths(s.Wanted), scaleSpeed(s.Wanted, t.Vehicle.Scale), tenths(s.Front), tenths(s.Rear)})
		}
		b.WriteString("\n" + rows.Render() + "\n")
	}
	switch {
	case to != "":
		fmt.Fprintf(&b, "\nregister set: %s\nnext:         fettle apply %s, then make the runs again\n", to, shellWord(to))
	case len(set.Registers) > 0:
		fmt.Fprintf(&b, "\n%s", set.Append(nil))
	}
	return b.String()
}

func tenths(v station.MillimetresPerSecond) string {
	if v == 0 {
		return ""
	}
	return fmt.Sprintf("%.1f mm/s", float64(v))
}

// tuneDocument is what --json says of a tuning.
type tuneDocument struct {
	Title     string           `json:"title"`
	Vehicle   string           `json:"vehicle"`
	Reachable bool             `json:"reachable"`
	Words     []string         `json:"words"`
	Registers []tunedRegister  `json:"registers"`
	Bits      []tunedBit       `json:"bits"`
	Stops     []tunedStopLine  `json:"stops"`
	Speeds    []tunedSpeedLine `json:"speeds"`
	SetFile   string           `json:"set_file"` // "": none was written
}

type tunedRegister struct {
	Register string `json:"register"`
	Value    uint8  `json:"value"`
}

type tunedBit struct {
	Bit string `json:"bit"`
	On  bool   `json:"on"`
}

type tunedStopLine struct {
	SpeedMMS float64 `json:"speed_mm_s"`
	Runs     int     `json:"runs"`
	StopMM   float64 `json:"stop_mm"`
	LowMM    float64 `json:"low_mm"`
	HighMM   float64 `json:"high_mm"`
}

type tunedSpeedLine struct {
	Step      uint8   `json:"step"`
	WantedMMS float64 `json:"wanted_mm_s"`
	FrontMMS  float64 `json:"front_mm_s"` // 0: not measured
	RearMMS   float64 `json:"rear_mm_s"`
}

func (a tuneAnswer) describe(t trial.Trial, to string) tuneDocument {
	d := tuneDocument{Title: t.Title, Vehicle: t.Vehicle.Name, Reachable: a.tuning.Reachable, Words: a.tuning.Words, SetFile: to,
		Registers: []tunedRegister{}, Bits: []tunedBit{}, Stops: []tunedStopLine{}, Speeds: []tunedSpeedLine{}}
	for _, r := range slices.SortedFunc(maps.Keys(a.tuning.Registers), cv.Register.Compare) {
		d.Registers = append(d.Registers, tunedRegister{r.String(), a.tuning.Registers[r]})
	}
	for _, bit := range slices.SortedFunc(maps.Keys(a.tuning.Bits), cv.Bit.Compare) {
		d.Bits = append(d.Bits, tunedBit{bit.String(), a.tuning.Bits[bit]})
	}
	for _, s := range a.stops {
		d.Stops = append(d.Stops, tunedStopLine{float64(s.Speed), s.Runs, float64(s.Stop), float64(s.Low), float64(s.High)})
	}
	for _, s := range a.speeds {
		d.Speeds = append(d.Speeds, tunedSpeedLine{s.Step, float64(s.Wanted), float64(s.Front), float64(s.Rear)})
	}
	return d
}
