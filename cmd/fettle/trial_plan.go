package main

import (
	"fmt"
	"time"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/spf13/cobra"

	"fettle/station"
	"fettle/trial"
)

// newTrialPlan makes the verb trial plan.
func newTrialPlan() *cobra.Command {
	cmd := exits(&cobra.Command{
		Use:   "plan TRIAL [flags]",
		Short: "Say which runs a trial asks for, in which order, and how many are enough.",
		Long: `The order is drawn at random, since a warm motor brakes otherwise than a cold one; the same trial always has the same.
--scatter says how far stops are expected to scatter, as a standard deviation: then it is told how many
runs it takes to show that a decoder which stops at the target keeps to the tolerance.`,
		Example:               "  fettle trial plan quay-2.toml --scatter 10",
		DisableFlagsInUseLine: true,
		Args:                  oneArgument("trial file", "TRIAL"),
	}, map[status]string{done: "the plan is printed", badUse: "bad use, or a bad file"})
	var scatter station.Millimetres
	cmd.Flags().Var(quantity[station.Millimetres]{&scatter, "mm"}, "scatter", "stops are expected to scatter by `MM`, as a standard deviation")
	asJSON := jsonFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		t, err := trial.Read(args[0])
		if err != nil {
			return err
		}
		plan, err := t.Plan()
		if err != nil {
			return fmt.Errorf("%s: %w", args[0], err)
		}
		takes := t.Takes(plan)
		if *asJSON {
			return printJSON(cmd.OutOrStdout(), describePlan(t, plan, takes, scatter))
		}
		rows := newTable(column{"run", true}, column{"leads", false}, column{"way", false}, column{"speed", true}, column{"to scale", true})
		for _, r := range plan {
			rows.AppendRow(table.Row{r.Number, r.Lead, r.Way, speedOrStep(r), scaleSpeed(r.Speed, t.Vehicle.Scale)})
		}
		text := fmt.Sprintf("%s: %s.\n\n%s\n\n%s, about %v with what comes between them.\n", t.Title, t.Vehicle.Name, rows.Render(), count(len(plan), "run"), takes.Round(time.Minute))
		if scatter > 0 {
			text += neededText(t, len(plan), scatter)
		}
		for _, d := range t.Doubts() {
			text += fmt.Sprintf("Doubt: %v.\n", d)
		}
		return printText(cmd.OutOrStdout(), "%s", text)
	}
	return cmd
}

// neededText says how many runs it takes.
func neededText(t trial.Trial, planned int, scatter station.Millimetres) string {
	needed := t.Needed(scatter)
	if needed == 0 {
		return fmt.Sprintf("With a scatter of %v no number of runs shows that it keeps within %v of %v and ends within the room.\n", scatter, t.Wanted.Within, t.Wanted.Stop)
	}
	return fmt.Sprintf("With a scatter of %v it takes %d runs to show that it keeps within %v of %v; this plan has %d.\n", scatter, needed, t.Wanted.Within, t.Wanted.Stop, planned)
}

// speedOrStep is at what a run enters.
func speedOrStep(r trial.Run) string {
	if r.Speed > 0 {
		return r.Speed.String()
	}
	return fmt.Sprintf("step %d", r.Step)
}

// trialPlanDocument is what --json says of a plan.
type trialPlanDocument struct {
	Title   string        `json:"title"`
	Vehicle string        `json:"vehicle"`
	Runs    []runDocument `json:"runs"`
	TakesS  float64       `json:"takes_s"`
	Repeats int           `json:"repeats"`
	Needed  *int          `json:"needed_runs"` // 0: no number is enough; null where no scatter was given
	Doubts  []string      `json:"doubts"`
}

type runDocument struct {
	Run      int     `json:"run"`
	Lead     string  `json:"lead"`
	Way      string  `json:"way"`
	SpeedMMS float64 `json:"speed_mm_s,omitempty"`
	Step     uint8   `json:"step,omitempty"`
}

func describePlan(t trial.Trial, plan []trial.Run, takes time.Duration, scatter station.Millimetres) trialPlanDocument {
	d := trialPlanDocument{Title: t.Title, Vehicle: t.Vehicle.Name, Runs: []runDocument{}, TakesS: takes.Seconds(), Repeats: t.Runs.Repeats, Doubts: []string{}}
	for _, doubt := range t.Doubts() {
		d.Doubts = append(d.Doubts, doubt.String())
	}
	for _, r := range plan {
		d.Runs = append(d.Runs, runDocument{r.Number, r.Lead.String(), r.Way.String(), float64(r.Speed), r.Step})
	}
	if scatter > 0 {
		needed := t.Needed(scatter)
		d.Needed = &needed
	}
	return d
}
