package main

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"fettle/nmra/cv"
	"fettle/prog"
	"fettle/prog/regset"
	"fettle/station"
	"fettle/station/bench"
)

// newDemo makes the verb demo.
func newDemo() *cobra.Command {
	cmd := exits(&cobra.Command{
		Use:   "demo",
		Short: "Tell the whole job on the simulated bench, step by step.",
		Long: `A decoder is identified, read, given a register set that is proven, reset, and given the set again; then another is
tried at a signal, tuned and tried again. Each step is what the verb that it names does; nothing is connected, and nothing
of yours is touched.`,
		DisableFlagsInUseLine: true,
		Args:                  noArguments,
	}, map[status]string{done: "told, and each step went as it should", saidNo: "a step did not", stopped: "stopped with Ctrl-C"})
	cmd.RunE = func(cmd *cobra.Command, _ []string) error { return tell(cmd) }
	return cmd
}

//go:embed demo/tram-3.toml
var demoSet []byte

const demoSetFile = "tram-3.toml"

// scene is one step of the story.
type scene struct {
	says    string
	command string
	does    job
	want    status
}

// tell tells the story on a bench and in a folder of its own.
func tell(cmd *cobra.Command) (err error) {
	set, err := regset.Parse(demoSetFile, demoSet)
	if err != nil {
		return err
	}
	decoder, err := bench.BuiltIn("tram-3")
	if err != nil {
		return err
	}
	folder, err := os.MkdirTemp("", "fettle-")
	if err != nil {
		return err
	}
	track := bench.New(decoder.New(0))
	defer func() { err = errors.Join(err, track.Close(), os.RemoveAll(folder)) }()
	v := &visit{stdout: cmd.OutOrStdout(), progress: progress(cmd.ErrOrStderr()), folder: folder}
	if err := v.arrive(track); err != nil {
		return err
	}
	for _, s := range story(set) {
		if err := v.play(cmd, track, s); err != nil {
			return err
		}
	}
	driven, err := tellTrial(cmd, v)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(cmd.OutOrStdout(), "On a real track it would have taken %.0f s of programming, and %.0f minutes of running.\n", track.Now().Seconds(), driven.Minutes())
	return err
}

// play plays one scene, and tells it.
func (v *visit) play(cmd *cobra.Command, track station.ProgrammingTrack, s scene) error {
	var told strings.Builder
	v.stdout = &told
	if err := v.print("%s\n$ fettle %s\n", s.says, s.command); err != nil {
		return err
	}
	if err := v.work(cmd.Context(), track, prog.DefaultBound, s.does); statusOf(err) != s.want {
		err = fmt.Errorf("fettle %s: ended with status %d, want %d: %w", s.command, statusOf(err), s.want, err)
		return failure{max(statusOf(err), saidNo), err}
	}
	_, err := io.WriteString(cmd.OutOrStdout(), shortened(told.String())+"\n")
	return err
}

// shortened leaves out empty lines, and what a verb says of its work.
func shortened(text string) string {
	var lines strings.Builder
	for line := range strings.Lines(text) {
		if strings.TrimSpace(line) != "" && !strings.Contains(line, " s on the track.") && !strings.HasSuffix(line, ".journal\n") {
			lines.WriteString(line)
		}
	}
	return lines.String()
}

// demoRegisters are read before and after the reset.
const demoRegisters = "1-32"

func story(set regset.Set) []scene {
	registers, _, _ := parseSettings([]string{demoRegisters}, cv.ParseRange)
	high := cv.Register{CV: 5}
	return []scene{
		{"A decoder that nobody has described. What is it?", "identify",
			func(ctx context.Context, v *visit) error { return v.identify(ctx, nil) }, done},
		{"What does it hold? A value counts when the decoder has acknowledged that very byte.", "read 5 17 18 29",
			func(ctx context.Context, v *visit) error {
				return v.read(ctx, []cv.Register{high, {CV: 17}, {CV: 18}, {CV: 29}})
			}, done},
		{"A register set from a file: what it will write, and in which order.", "apply " + demoSetFile + " --plan",
			func(ctx context.Context, v *visit) error { return v.planSet(ctx, set) }, done},
		{"Old values go to a journal on disk, then new ones to the decoder, which does not hold all of them.", "apply " + demoSetFile,
			func(ctx context.Context, v *visit) error { return v.applySet(ctx, set, demoSetFile) }, saidNo},
		{"It was asked for 250 in register 5 and holds 180. What does that mean?", "explain 5=180",
			func(_ context.Context, v *visit) error {
				return v.print("%s\n", strings.Join(cv.ExplainValue(high, 180, nil).Lines(), "\n"))
			}, done},
		{"A factory reset, what it changed, and the set put back and proven.", "reset " + demoRegisters + " --then " + demoSetFile,
			func(ctx context.Context, v *visit) error { return v.reset(ctx, registers, &set, demoSetFile) }, saidNo},
	}
}
