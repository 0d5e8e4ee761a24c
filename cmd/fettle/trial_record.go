package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"fettle/trial"
)

// newTrialRecord makes the verb trial record.
func newTrialRecord() *cobra.Command {
	cmd := exits(&cobra.Command{
		Use:   "record TRIAL [flags]",
		Short: "Take down runs that you make yourself, where no station can be driven.",
		Long: `TRIAL is a trial file. For each run of its plan it is told what to do, and you press one key for what became of it: s
stopped, o overran, l slowed, i ignored; then say where it stopped and what else you saw. u undoes the run before, and q
leaves. The runs go to a CSV file, by default beside TRIAL with .runs.csv in place of its ending; where that is there
already, it is gone on with. It is saved after every run.

--from takes them from a CSV file instead, as from a spreadsheet, with the same checks. What looks as if units were mixed
up is asked about; where nobody can be asked, nothing is taken unless --yes is given.

` + cautions,
		Example:               "  fettle trial record quay-2.toml\n  fettle trial record quay-2.toml --from evening.csv",
		DisableFlagsInUseLine: true,
		Args:                  oneArgument("trial file", "TRIAL"),
	}, map[status]string{
		done:    "all runs of the plan, or of the file, are saved",
		badUse:  "bad use, or a bad file, or one with doubts",
		stopped: "left half-way; the same command goes on with it",
	})
	asJSON := jsonFlag(cmd)
	var file, from string
	yes := false
	cmd.Flags().StringVar(&file, "runs", "", "the `FILE`.csv of the runs")
	cmd.Flags().StringVar(&from, "from", "", "take the runs from `FILE`.csv")
	addMark(cmd.Flags(), &yes, true, "yes", "keep what is in doubt: do not ask")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		b, err := openBook(args[0], file)
		if err != nil {
			return err
		}
		v := &visit{stdout: cmd.OutOrStdout(), asJSON: *asJSON}
		p := b.person(cmd, v)
		p.byHand, p.yes = true, yes
		if from != "" {
			return b.take(cmd, v, p, from)
		}
		b.sitting = trial.Sitting{When: time.Now(), Station: trial.ByHand}
		if b.Made() < len(b.Runs) {
			fmt.Fprintln(p.out, flowed(cautions))
		}
		err = trial.Record(cmd.Context(), p, b.Trial, b.Runs, b.save)
		p.progress("", 0, 0)
		return b.tell(cmd.Context(), v, err, "fettle trial record "+b.arguments())
	}
	return cmd
}

// take takes runs from a file.
func (b *book) take(cmd *cobra.Command, v *visit, p *trackside, from string) error {
	taken, doubts, err := trial.ReadRuns(from, b.Trial)
	if err != nil {
		return err
	}
	runs, err := b.merge(taken)
	if err != nil {
		return fmt.Errorf("%s: %w", from, err)
	}
	if err := p.settle(cmd.Context(), doubts); err != nil {
		if errors.Is(err, context.Canceled) {
			return failure{stopped, interruption(cmd.Context())}
		}
		return failure{badUse, fmt.Errorf("%s: %w", from, err)}
	}
	sittings, err := trial.ReadSittings(from)
	if err != nil {
		return err
	}
	for _, s := range sittings { // when runs of other sittings were made is not known
		if !slices.Contains(b.Sittings, s) {
			b.Sittings = append(b.Sittings, s)
		}
	}
	b.Doubts = doubts
	if err := b.save(runs); err != nil {
		return err
	}
	all := b.Made() == len(b.Runs)
	text := b.text(all)
	if !all {
		text += fmt.Sprintf("%d of %s made.\nruns:      %s\nto go on:  fettle trial record %s\n", b.Made(), count(len(b.Runs), "run"), b.file, b.arguments())
	}
	return v.answer(text, b.describe())
}

// merge puts runs among those that are made. One that is made already has to be the same.
func (b *book) merge(taken []trial.Run) ([]trial.Run, error) {
	made := map[int]trial.Run{}
	for _, r := range b.Runs {
		if r.Made {
			made[r.Number] = r
		}
	}
	runs, err := trial.Resume(b.Runs, taken)
	if err != nil {
		return nil, err
	}
	for _, r := range runs {
		before, ok := made[r.Number]
		if ok && !bytes.Equal(trial.AppendRuns(nil, []trial.Run{before}), trial.AppendRuns(nil, []trial.Run{r})) {
			return nil, fmt.Errorf("run %d is in %s already, and is another there; want it once, or --runs with a new file", r.Number, b.file)
		}
	}
	return runs, nil
}

// settle has doubts looked at.
func (p *trackside) settle(ctx context.Context, doubts []trial.Doubt) error {
	if len(doubts) == 0 || p.yes {
		return nil
	}
	text := ""
	for _, d := range doubts {
		text += fmt.Sprintf("Doubt: %v\n", d)
	}
	fmt.Fprint(p.out, wrapped(text, screenWidth, "  "))
	if p.fd < 0 {
		return fmt.Errorf("%s, and nobody can be asked: nothing is taken; put it right, or give --yes to keep it", count(len(doubts), "doubt"))
	}
	word, err := p.line(ctx, "yes to keep it all as it is: ")
	if err == nil && word != "yes" {
		err = errors.New("nothing is taken")
	}
	return err
}
