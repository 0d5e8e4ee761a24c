package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/spf13/cobra"

	"fettle/prog/regset"
	"fettle/station"
	"fettle/trial"
)

// newTrialRun makes the verb trial run.
func newTrialRun() *cobra.Command {
	cmd := exits(&cobra.Command{
		Use:   "run TRIAL [flags]",
		Short: "Make the runs of a trial on a station, and save each.",
		Long: `TRIAL is a trial file, of braking or of speed. The runs go to a CSV file, by default beside it with .runs.csv in place of its
ending; where that is there already, it is gone on with. It is saved after every run.

On the bench everything goes by itself. On a station of your own it is told what is going to move, and nothing moves before
you have said yes. You put the vehicle down for each run, and press one key for what became of it: s stopped, o overran,
l slowed, i ignored. Any other key is an emergency stop, and so is every error; the track is on only during a run. u
undoes the run before, and q leaves.

Where the trial asks for speeds, --speeds gives the runs of a trial of speed, which say what each step is; the bench
measures some steps itself.

` + cautions,
		Example: "  fettle trial run quay-2.toml --station bench:engine-30\n" +
			"  fettle trial run quay-2.toml --speeds engine-30-speed.runs.csv --station board:/dev/ttyUSB0",
		DisableFlagsInUseLine: true,
		Args:                  oneArgument("trial file", "TRIAL"),
	}, map[status]string{
		done:          "all runs are made and saved",
		badUse:        "bad use, or a bad file",
		stationFailed: "the station failed; the runs made so far are saved",
		noDecoder:     "the vehicle does not move",
		stopped:       "left half-way; the same command goes on with it",
	})
	flags, asJSON := addStation(cmd), jsonFlag(cmd)
	var file, speeds string
	yes := false
	cmd.Flags().StringVar(&file, "runs", "", "the `FILE`.csv of the runs")
	cmd.Flags().StringVar(&speeds, "speeds", "", "the `FILE`.csv of a trial of speed, which says what each step is")
	addMark(cmd.Flags(), &yes, true, "yes", "the vehicle may move: do not ask; what is answered may come from a pipe")
	cmd.RunE = func(cmd *cobra.Command, args []string) (err error) {
		b, err := openBook(args[0], file)
		if err != nil {
			return err
		}
		if speeds != "" {
			if err := b.useSpeeds(speeds); err != nil {
				return misuse(cmd, "--speeds %w", err)
			}
		}
		s, err := flags.open()
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, s.Close()) }()
		main, ok := s.(station.Main)
		if !ok {
			return failure{badUse, fmt.Errorf("%v: it has no main track to drive on, want fettle trial record for runs that you make yourself", s.Describe())}
		}
		_, sees := s.(station.Layout)
		sees = sees && s.Describe().Simulated
		if !sees && !yes && !terminal(os.Stdin) {
			return misuse(cmd, "something moves, and there is nobody to ask: want a terminal, or --yes with someone beside the track")
		}
		v := &visit{stdout: cmd.OutOrStdout(), asJSON: *asJSON}
		if err := v.arrive(s); err != nil {
			return err
		}
		b.sitting = trial.Sitting{When: time.Now(), Station: v.station.Station}
		p := b.person(cmd, v)
		p.sees, p.yes = sees, yes
		if !sees {
			main = onlyMain(main)
		}
		err = trial.Drive(cmd.Context(), main, p, b.Trial, b.Runs, b.save)
		p.progress("", 0, 0)
		again := "fettle trial run " + b.arguments() + flags.flags()
		if speeds != "" {
			again += " --speeds " + shellWord(speeds)
		}
		return b.tell(cmd.Context(), v, err, again)
	}
	return cmd
}

// onlyMain is a main track on which a person sees what becomes of a run, with the gates that it may have.
func onlyMain(main station.Main) station.Main {
	if gates, ok := main.(station.Gates); ok {
		return struct {
			station.Main
			station.Gates
		}{main, gates}
	}
	return struct{ station.Main }{main}
}

// book is a trial and the files that it and its runs are in.
type book struct {
	trialFile string
	given     bool // the name of the file of runs was
	file      string
	sitting   trial.Sitting // this one
	trial.Book
}

// openBook reads a trial, and the runs of it that are there.
func openBook(trialFile, file string) (*book, error) {
	b := &book{trialFile: trialFile, given: file != "", file: file}
	if file == "" {
		b.file = strings.TrimSuffix(trialFile, filepath.Ext(trialFile)) + ".runs.csv"
	}
	t, err := trial.Read(trialFile)
	if err != nil {
		return nil, err
	}
	b.Book, err = trial.OpenBook(b.file, t)
	return b, err
}

// arguments are those that bring a command to the same trial and runs.
func (b *book) arguments() string {
	text := shellWord(b.trialFile)
	if b.given {
		text += " --runs " + shellWord(b.file)
	}
	return text
}

// useSpeeds finds the steps of wanted speeds from the runs of a trial of speed.
func (b *book) useSpeeds(path string) error {
	if len(b.Trial.Speed.Steps) > 0 {
		return fmt.Errorf("%s: %s is itself a trial of speed", path, b.trialFile)
	}
	of := trial.Trial{Vehicle: b.Trial.Vehicle, Speed: trial.SpeedTrial{Between: 1}}
	for step := uint8(1); step <= b.Trial.Vehicle.Steps.Top(); step++ {
		of.Speed.Steps = append(of.Speed.Steps, step)
	}
	measured, _, err := trial.ReadRuns(path, of)
	if err != nil {
		return err
	}
	if b.Runs, err = trial.SetSteps(b.Runs, measured, b.Trial.Vehicle.Steps); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	return nil
}

// save saves the runs, and once one is made in this sitting, that it was.
func (b *book) save(runs []trial.Run) error {
	kept := b.Add(runs, b.sitting)
	if err := regset.WriteFile(b.file, kept.Append(nil)); err != nil {
		return err
	}
	b.Book = kept
	return nil
}

// person is who is asked about the runs.
func (b *book) person(cmd *cobra.Command, v *visit) *trackside {
	return &trackside{keyboard: newKeyboard(cmd.InOrStdin(), cmd.ErrOrStderr()), trial: b.Trial, tell: v.print,
		progress: progress(cmd.ErrOrStderr()), of: len(b.Runs), now: time.Now}
}

// bookDocument is what --json says of the runs of a trial.
type bookDocument struct {
	*stationDocument
	Title    string            `json:"title"`
	Vehicle  string            `json:"vehicle"`
	RunsFile string            `json:"runs_file"`
	Made     int               `json:"made"`
	Left     int               `json:"left"`
	Runs     []madeRunDocument `json:"runs"` // that are made
	Doubts   []string          `json:"doubts"`
	Stopped  string            `json:"stopped,omitempty"` // why some are left
}

type madeRunDocument struct {
	runDocument
	Outcome string         `json:"outcome,omitempty"`
	StopMM  *float64       `json:"stop_mm"` // null where it did not stop
	StopS   *float64       `json:"stop_s"`  // null where it was not taken
	Gates   []gateDocument `json:"gates,omitempty"`
	Note    string         `json:"note,omitempty"`
}

type gateDocument struct {
	AtMM float64 `json:"at_mm"`
	S    float64 `json:"s"`
}

func (b *book) describe() bookDocument {
	d := bookDocument{Title: b.Trial.Title, Vehicle: b.Trial.Vehicle.Name, RunsFile: b.file, Made: b.Made(), Runs: []madeRunDocument{}, Doubts: []string{}}
	d.Left = len(b.Runs) - d.Made
	for _, doubt := range b.Doubts {
		d.Doubts = append(d.Doubts, doubt.String())
	}
	for _, r := range b.Runs {
		if !r.Made {
			continue
		}
		one := madeRunDocument{runDocument: runDocument{r.Number, r.Lead.String(), r.Way.String(), float64(r.Speed), r.Step}, Note: r.Note}
		if len(b.Trial.Speed.Steps) == 0 {
			one.Outcome = r.Outcome.String()
			if stop := float64(r.Stop); r.Outcome == trial.Stopped {
				one.StopMM = &stop
			}
			if took := r.Time.Seconds(); took > 0 {
				one.StopS = &took
			}
		}
		for _, p := range r.Gates {
			one.Gates = append(one.Gates, gateDocument{float64(p.At), p.Time.Seconds()})
		}
		d.Runs = append(d.Runs, one)
	}
	return d
}

// tell says which runs are made and, where some are left, why and how to go on.
func (b *book) tell(ctx context.Context, v *visit, err error, again string) error {
	d := b.describe()
	if v.station.Station != "" {
		d.stationDocument = &v.station
	}
	if err != nil {
		err = b.halfway(ctx, err, again)
		d.Stopped = err.Error()
	}
	return errors.Join(v.answer(b.text(err == nil), d), err)
}

// halfway is the error of a trial that was left, with its status.
func (b *book) halfway(ctx context.Context, err error, again string) error {
	var stands trial.Stands
	code := statusOf(err)
	switch {
	case errors.Is(err, station.ErrStation):
		code = stationFailed
	case ctx.Err() != nil && errors.Is(err, ctx.Err()):
		err, code = interruption(ctx), stopped
	case errors.Is(err, trial.ErrLeave), errors.Is(err, errNoInput):
		code = stopped
	case errors.As(err, &stands):
		code = noDecoder
	}
	if b.Made() == 0 {
		return failure{code, fmt.Errorf("%w\nno run is made", err)}
	}
	return failure{code, fmt.Errorf("%w\nmade:      %d of %s\nruns:      %s\nto go on:  %s", err, b.Made(), count(len(b.Runs), "run"), b.file, again)}
}

// text is the table of the runs that are made, and what to do with them.
func (b *book) text(all bool) string {
	if b.Made() == 0 {
		return ""
	}
	speed := len(b.Trial.Speed.Steps) > 0
	columns := []column{{"run", true}, {"leads", false}, {"way", false}, {"step", true}, {"speed", true}, {"to scale", true},
		{"outcome", false}, {"stop", true}, {"after", true}}
	if speed {
		columns = []column{{"run", true}, {"leads", false}, {"step", true}, {"speed", true}, {"to scale", true}}
	}
	rows := newTable(columns...)
	var notes bytes.Buffer
	for _, r := range b.Runs {
		if !r.Made {
			continue
		}
		if r.Note != "" {
			fmt.Fprintf(&notes, "run %d: %s\n", r.Number, r.Note)
		}
		scale, stop, after, step := scaleSpeed(r.Speed, b.Trial.Vehicle.Scale), "", "", ""
		if r.Step > 0 {
			step = fmt.Sprint(r.Step)
		}
		if speed {
			rows.AppendRow(table.Row{r.Number, r.Lead, step, r.Speed, scale})
			continue
		}
		if r.Outcome == trial.Stopped {
			stop = r.Stop.String()
		}
		if r.Time > 0 {
			after = fmt.Sprintf("%.1f s", r.Time.Seconds())
		}
		rows.AppendRow(table.Row{r.Number, r.Lead, r.Way, step, r.Speed, scale, r.Outcome, stop, after})
	}
	text := rows.Render() + "\n\n" + notes.String()
	for _, d := range b.Doubts {
		text += fmt.Sprintf("Doubt: %v.\n", d)
	}
	if !all {
		return text
	}
	next := "judge"
	if speed {
		next = "tune"
	}
	return text + fmt.Sprintf("%s made.\nruns:  %s\nnext:  fettle trial %s %s %s\n", count(len(b.Runs), "run"), b.file, next, shellWord(b.trialFile), shellWord(b.file))
}
