package main

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/spf13/cobra"

	"fettle/prog/regset"
	"fettle/report/chart"
	"fettle/station"
	"fettle/trial"
)

// newTrialJudge makes the verb trial judge.
func newTrialJudge() *cobra.Command {
	cmd := exits(&cobra.Command{
		Use:   "judge TRIAL RUNS [flags]",
		Short: "Say what the runs of a trial show: fit, unfit, or not enough runs yet.",
		Long: `TRIAL is a trial file, RUNS a CSV file of runs, from fettle trial run, fettle trial record or a spreadsheet. It is told
which side of the track the decoder senses; how its stopping distance depends on entry speed; how it brakes; how far stops
scatter, and by where almost all of them end; and so whether the vehicle is fit, and if that is not shown yet how many more
runs would show it.`,
		Example:               "  fettle trial judge quay-2.toml quay-2.runs.csv",
		DisableFlagsInUseLine: true,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) != 2 {
				return misuse(cmd, "found %d of two files: want TRIAL, a trial file, and RUNS, the CSV file of its runs", len(args))
			}
			return nil
		},
	}, map[status]string{
		done:   "fit",
		saidNo: "unfit, or not enough runs to say",
		badUse: "bad use, or a bad file",
	})
	asJSON := jsonFlag(cmd)
	var plot string
	cmd.Flags().StringVar(&plot, "plot", "", "draw the stops, how it brakes and what it senses to `FILE`.svg or .png")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if plot != "" && !pictureName(plot) {
			return misuse(cmd, "--plot %s: want a name that ends in .svg or .png", plot)
		}
		t, err := trial.Read(args[0])
		if err != nil {
			return err
		}
		runs, doubts, err := trial.ReadRuns(args[1], t)
		if err != nil {
			return err
		}
		if len(t.Speed.Steps) > 0 {
			return misuse(cmd, "%s: found a trial of speed, want one of braking: fettle trial tune takes speeds", args[0])
		}
		v := trial.Judge(t, runs)
		drawn := chart.Braking{Trial: t, Runs: runs, Verdict: v}
		if plot != "" {
			if err := draw(drawn, plot); err != nil {
				return err
			}
		}
		if *asJSON {
			err = printJSON(cmd.OutOrStdout(), describeVerdict(t, v, doubts))
		} else {
			err = printText(cmd.OutOrStdout(), "%s", verdictText(t, runs, v, doubts, drawn.Text()))
		}
		if err != nil {
			return err
		}
		return verdict(v.Fitness == trial.Fit)
	}
	return cmd
}

// picture is something that can be drawn.
type picture interface {
	WriteSVG(w io.Writer) error
	WritePNG(w io.Writer) error
}

func pictureName(path string) bool {
	return isPNG(path) || strings.EqualFold(filepath.Ext(path), ".svg")
}

func isPNG(path string) bool { return strings.EqualFold(filepath.Ext(path), ".png") }

// draw draws to a file, whose form is that of its name.
func draw(p picture, path string) error {
	write := p.WriteSVG
	if isPNG(path) {
		write = p.WritePNG
	}
	var drawn bytes.Buffer
	if err := write(&drawn); err != nil {
		return err
	}
	return regset.WriteFile(path, drawn.Bytes())
}

// verdictText is what a person is told.
func verdictText(t trial.Trial, runs []trial.Run, v trial.Verdict, doubts []trial.Doubt, picture string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %s, %s.\n\n%s\n", t.Title, t.Vehicle.Name, count(len(runs), "run"), v.Sentence)
	for _, r := range v.Reasons {
		fmt.Fprintf(&b, "  - %s\n", r)
	}
	for _, d := range doubts {
		fmt.Fprintf(&b, "In doubt, and taken as it stands: %v\n", d)
	}
	b.WriteString("\n" + responseText(v.Response))
	if s := stopsText(t, v.Stops); s != "" {
		b.WriteString("\n" + s)
	}
	if picture != "" {
		b.WriteString("\n" + picture)
	}
	b.WriteString("\n" + brakingText(v))
	for _, n := range v.Notes {
		fmt.Fprintf(&b, "Note: %s.\n", strings.TrimSuffix(n, "."))
	}
	return b.String()
}

// responseText is the table of the four cases, and what it says of the decoder.
func responseText(r trial.Response) string {
	rows := newTable(column{"leads", false}, column{"with the section", false}, column{"against it", false})
	for _, lead := range []station.Lead{station.Front, station.Rear} {
		rows.AppendRow(table.Row{lead, caseText(r.Case(lead, station.With)), caseText(r.Case(lead, station.Against))})
	}
	text := rows.Render() + "\n\n"
	switch r.Senses {
	case trial.SensesTravel:
		text += "It senses the rail on one side of its travel"
	case trial.SensesVehicle:
		text += "It senses the rail on one side of the vehicle"
	case trial.SensesEither:
		text += "It senses either asymmetry"
	case trial.SensesNothing:
		text += "It senses nothing"
	default:
		text += "What it senses is not clear"
	}
	if r.Mirror {
		text += ", the other way than the section is said to be wired"
	}
	text += ".\n"
	if r.Register27 != "" {
		text += r.Register27 + "\n"
	}
	return text
}

func caseText(c trial.Case) string {
	if c.Runs() == 0 {
		return "not tried"
	}
	var parts []string
	for _, p := range []struct {
		n     int
		words string
	}{{c.Stopped, "stopped"}, {c.Overran, "overran"}, {c.Slowed, "slowed"}, {c.Ignored, "ignored"}} {
		if p.n > 0 {
			parts = append(parts, fmt.Sprintf("%s %d of %d", p.words, p.n, c.Runs()))
		}
	}
	return strings.Join(parts, ", ")
}

// stopsText is the table of the stops at each wanted speed.
func stopsText(t trial.Trial, stops []trial.PredictedStop) string {
	if len(stops) == 0 {
		return ""
	}
	rows := newTable(column{"leads", false}, column{"wanted", true}, column{"entered at", true}, column{"to scale", true}, column{"stopped", true},
		column{"overran", true}, column{"stop", true}, column{"between", true}, column{"on target", false})
	for _, s := range stops {
		wanted := fmt.Sprint(s.Wanted)
		if s.Wanted == 0 {
			wanted = fmt.Sprintf("step %d", s.Step)
		}
		row := table.Row{s.Lead, wanted, "", "", s.Stopped, s.Overran, "", "", s.OnTarget}
		if s.Speed > 0 {
			row[2], row[3] = s.Speed, scaleSpeed(s.Speed, t.Vehicle.Scale)
		}
		if s.Stopped > 0 {
			row[6] = s.Stop
			if s.High > s.Low {
				row[7] = fmt.Sprintf("%.0f to %.0f mm", float64(s.Low), float64(s.High))
			}
		}
		rows.AppendRow(row)
	}
	return rows.Render() + "\n"
}

// scaleSpeed is a speed as it would be if the vehicle were full size.
func scaleSpeed(v station.MillimetresPerSecond, scale float64) string {
	if scale <= 0 {
		return ""
	}
	return fmt.Sprintf("%.0f km/h", float64(v)*scale*3600/1e6)
}

// brakingText says how it brakes, and how far stops scatter.
func brakingText(v trial.Verdict) string {
	rows := newTable(column{"", false}, column{"", false})
	row := func(label, format string, args ...any) {
		rows.AppendRow(table.Row{label, fmt.Sprintf(format, args...)})
	}
	row("brakes by", "%v", v.Brakes)
	if v.Law.Known {
		row("exponent", "%v: 0 is constant distance, 1 time, 2 deceleration", v.Law)
	}
	if m := v.Law.Motion; m.Known {
		row("other law", "%v + %.2f s x v%s (%s): how the stop grows with entry speed, not how it slows down", m.Start, m.Response.Seconds(), squared(m),
			comparedLaws(v.Law))
	}
	row("constant", "%v", v.ConstantDistance)
	row("pattern", "%v%s", v.Pattern, comparedPatterns(v.Patterns))
	if v.Scatter.Degrees > 0 {
		row("scatter", "%.1f mm at the same speed and lead, %s of freedom", float64(v.Scatter.Deviation), count(v.Scatter.Degrees, "degree"))
	}
	if v.Bound.At > 0 {
		row("bound", "%.0f stops in 100 end before %v: put the mark no nearer", 100*v.Bound.Share, v.Bound.At)
	}
	if v.Drift.Seen() {
		row("drift", "stops moved by %+.0f mm from the first run to the last", float64(v.Drift.FirstToLast))
	}
	if v.Leads.Seen() {
		row("leads", "with the rear leading it runs %+.0f mm farther", float64(v.Leads.By))
	}
	return strings.TrimLeft(rows.Render(), "\n ") + "\n"
}

// squared is the term of the square of the speed.
func squared(m trial.Motion) string {
	if m.Deceleration <= 0 {
		return ""
	}
	return fmt.Sprintf(" + v²/(2 x %.0f mm/s²)", float64(m.Deceleration))
}

// comparedLaws says which of the two laws fits better.
func comparedLaws(l trial.Law) string {
	if finite(l.AICc) && finite(l.Motion.AICc) {
		return fmt.Sprintf("AICc %.1f, of the exponent %.1f: the less the better", l.Motion.AICc, l.AICc)
	}
	return "too few runs to say which fits better"
}

// comparedPatterns says how well each pattern fits the times, the best first.
func comparedPatterns(fits []trial.PatternFit) string {
	var parts []string
	for _, f := range fits {
		if finite(f.AICc) {
			parts = append(parts, fmt.Sprintf("%v %.1f", f.Pattern, f.AICc))
		}
	}
	if len(parts) == 0 {
		return ""
	}
	return " (AICc: " + strings.Join(parts, ", ") + ")"
}

func finite(x float64) bool { return !math.IsInf(x, 0) && !math.IsNaN(x) }

// verdictDocument is what --json says of a trial.
type verdictDocument struct {
	Title            string         `json:"title"`
	Vehicle          string         `json:"vehicle"`
	Verdict          string         `json:"verdict"` // fit, unfit or more_runs
	Sentence         string         `json:"sentence"`
	MoreRuns         int            `json:"more_runs"`
	Senses           string         `json:"senses"`
	Mirror           bool           `json:"mirror"`
	Register27       string         `json:"register_27"`
	Response         []caseDocument `json:"response"`
	Exponent         *float64       `json:"exponent"` // null where it is not known, as all that follows
	ExponentLow      *float64       `json:"exponent_low"`
	ExponentHigh     *float64       `json:"exponent_high"`
	AICc             *float64       `json:"aicc"`   // of the exponent's law
	Motion           *motionLine    `json:"motion"` // the other law: start + response x v + v^2 / (2 deceleration)
	Brakes           string         `json:"brakes"`
	ConstantDistance string         `json:"constant_distance"` // yes, no or undecided
	OnTarget         string         `json:"on_target"`
	Pattern          string         `json:"pattern"` // even, late, creep, undecided, or none where the distance is not constant
	Stops            []stopDocument `json:"stops"`
	ScatterMM        *float64       `json:"scatter_mm"`
	BoundMM          *float64       `json:"bound_mm"`
	BoundShare       float64        `json:"bound_share"`
	DriftMM          *float64       `json:"drift_mm"` // null where none is seen
	Reasons          []string       `json:"reasons"`
	Notes            []string       `json:"notes"`
	Doubts           []string       `json:"doubts"`
}

type motionLine struct {
	StartMM          float64  `json:"start_mm"`
	ResponseS        float64  `json:"response_s"`
	DecelerationMMS2 float64  `json:"deceleration_mm_s2"` // 0: the square of the speed plays no part
	AICc             *float64 `json:"aicc"`
}

type caseDocument struct {
	Lead    string `json:"lead"`
	Way     string `json:"way"`
	Stopped int    `json:"stopped"`
	Overran int    `json:"overran"`
	Slowed  int    `json:"slowed"`
	Ignored int    `json:"ignored"`
}

type stopDocument struct {
	Lead       string   `json:"lead"`
	WantedMMS  float64  `json:"wanted_mm_s,omitempty"`
	Step       uint8    `json:"step,omitempty"`
	EnteredMMS float64  `json:"entered_mm_s"`
	Stopped    int      `json:"stopped"`
	Overran    int      `json:"overran"`
	StopMM     *float64 `json:"stop_mm"`
	LowMM      *float64 `json:"low_mm"`
	HighMM     *float64 `json:"high_mm"`
	OnTarget   string   `json:"on_target"`
}

// known is a number that is null in JSON where it is not known.
func known[T ~float64](x T, ok bool) *float64 {
	if !ok {
		return nil
	}
	f := float64(x)
	return &f
}

func describeVerdict(t trial.Trial, v trial.Verdict, doubts []trial.Doubt) verdictDocument {
	d := verdictDocument{
		Title: t.Title, Vehicle: t.Vehicle.Name, Verdict: v.Fitness.String(), Sentence: v.Sentence, MoreRuns: v.MoreRuns,
		Senses: v.Response.Senses.String(), Mirror: v.Response.Mirror, Register27: v.Response.Register27,
		Exponent: known(v.Law.Exponent, v.Law.Known), ExponentLow: known(v.Law.Low, v.Law.Known), ExponentHigh: known(v.Law.High, v.Law.Known),
		Brakes: v.Brakes.String(), ConstantDistance: v.ConstantDistance.String(), OnTarget: v.OnTarget.String(), Pattern: v.Pattern.String(),
		ScatterMM: known(v.Scatter.Deviation, v.Scatter.Degrees > 0), BoundMM: known(v.Bound.At, v.Bound.At > 0), BoundShare: v.Bound.Share,
		DriftMM: known(v.Drift.FirstToLast, v.Drift.Seen()), Stops: []stopDocument{}, Reasons: list(v.Reasons), Notes: list(v.Notes), Doubts: []string{},
	}
	d.AICc = known(v.Law.AICc, v.Law.Known && finite(v.Law.AICc))
	if m := v.Law.Motion; m.Known {
		d.Motion = &motionLine{float64(m.Start), m.Response.Seconds(), float64(m.Deceleration), known(m.AICc, finite(m.AICc))}
	}
	for _, lead := range []station.Lead{station.Front, station.Rear} {
		for _, way := range []station.Way{station.With, station.Against} {
			c := v.Response.Case(lead, way)
			d.Response = append(d.Response, caseDocument{lead.String(), way.String(), c.Stopped, c.Overran, c.Slowed, c.Ignored})
		}
	}
	for _, s := range v.Stops {
		d.Stops = append(d.Stops, stopDocument{
			Lead: s.Lead.String(), WantedMMS: float64(s.Wanted), Step: s.Step, EnteredMMS: float64(s.Speed), Stopped: s.Stopped, Overran: s.Overran,
			StopMM: known(s.Stop, s.Stopped > 0), LowMM: known(s.Low, s.High > s.Low), HighMM: known(s.High, s.High > s.Low), OnTarget: s.OnTarget.String(),
		})
	}
	for _, doubt := range doubts {
		d.Doubts = append(d.Doubts, doubt.String())
	}
	return d
}
