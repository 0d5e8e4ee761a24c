package main

import (
	"bytes"
	"cmp"
	"context"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
)

// newDemo makes the verb demo.
func newDemo() *cobra.Command {
	cmd := exits(&cobra.Command{
		Use:   "demo",
		Short: "Tell the whole job on the simulated bench, step by step.",
		Long: `A decoder is identified, read, given a register set that is proven, reset, given the set again and tried at a signal; then
another is surveyed, tuned and tried again. Each step is the command that is shown; nothing is connected, and none of your
own bench decoders is touched.

All files that come of it are left in a new folder here, fettle-demo, or fettle-demo-2 and so on where that is there
already.`,
		DisableFlagsInUseLine: true,
		Args:                  noArguments,
	}, map[status]string{
		done: "told, and each step went as it should", saidNo: "a step did not", badUse: "bad use, or no new folder can be made here",
		stopped: "stopped with Ctrl-C",
	})
	cmd.RunE = func(cmd *cobra.Command, _ []string) error { return tell(cmd) }
	return cmd
}

// act is the part of the story that one decoder plays in.
type act struct {
	decoder string // the name of the bench's, and of the folder
	scenes  []scene
}

// scene is one command.
type scene struct {
	says    string // "": it goes with the one before
	command string
	want    status
	until   string // what it prints is told up to a line that begins so; "": to its end
}

const plotBegins = "stop, mm past trigger" // how the plot begins that trial judge prints

var story = []act{
	{"tram-3", []scene{
		{says: "A decoder that nobody has described. What is it?", command: "identify"},
		{says: "Everything that it holds, to a file. A value counts when the decoder has acknowledged that very byte.",
			command: "survey --to bought.survey.toml"},
		{says: "What do some of them mean?", command: "read 5 17 18 29"},
		{says: "A register set from a file: what it will write, and in which order.", command: "apply quay-line.toml --plan"},
		{says: "Old values go to a journal on disk, then new ones to the decoder, which does not hold all of them.",
			command: "apply quay-line.toml", want: saidNo},
		{says: "It was asked for 250 in register 5 and holds 180. What does that mean?", command: "explain 5=180"},
		{says: "A factory reset, what it changed, and the set put back and proven.",
			command: "reset 1-32 --then quay-line.toml --yes", want: saidNo},
		{says: "On the track: does it stop at the signal, from every speed, either end leading?", command: "trial run quay-2.toml"},
		{command: "trial judge quay-2.toml quay-2.runs.csv", want: saidNo, until: plotBegins},
		{says: "Much too early, and for either side of the track. What it holds by now:", command: "survey --to now.survey.toml"},
	}},
	{"engine-30", []scene{
		{says: "Another, new. Is it as a reset leaves it? Then that makes a sheet of its type.", command: "reset --yes"},
		{command: "survey --to reset.survey.toml"},
		{command: "sheet draft --reset reset.survey.toml --to engine-30.sheet.toml"},
		{says: "How fast is it at each step? At the first ones hardly anything happens.", command: "trial run speeds.toml --runs speeds.bought.csv"},
		{says: "A speed table that makes each step the same, and the same runs with it.",
			command: "trial tune speeds.toml speeds.bought.csv --held reset.survey.toml --to even.toml"},
		{command: "apply even.toml"},
		{command: "trial run speeds.toml --runs speeds.even.csv"},
		{says: "Does it stop at the signal?", command: "trial run quay-2.toml --runs quay-2.bought.csv"},
		{command: "trial judge quay-2.toml quay-2.bought.csv", want: saidNo, until: plotBegins},
		{says: "It brakes over a constant distance, too early, and for either side of the track. So:", command: "apply signal.toml"},
		{says: "The same runs again.", command: "trial run quay-2.toml --runs quay-2.tuned.csv"},
		{command: "trial judge quay-2.toml quay-2.tuned.csv", until: plotBegins},
		{says: "What it holds in the end:", command: "survey --to tuned.survey.toml"},
	}},
}

// demoFiles has what each act begins with, in the folder of its decoder: register sets and trials.
//
//go:embed demo
var demoFiles embed.FS

// tell tells the story on a bench that remembers for as long as that takes, and leaves the files in a new folder.
func tell(cmd *cobra.Command) (err error) {
	memory, err := os.MkdirTemp("", "fettle-")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(memory)) }()
	if err := os.Setenv("XDG_STATE_HOME", memory); err != nil {
		return err
	}
	folder, err := newFolder("fettle-demo")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.RemoveAll(folder))
		}
	}()
	files, err := fs.Sub(demoFiles, "demo")
	if err != nil {
		return err
	}
	if err := os.CopyFS(folder, files); err != nil {
		return err
	}
	for _, a := range story {
		if err := a.play(cmd, filepath.Join(folder, a.decoder)); err != nil {
			return err
		}
	}
	return tellPages(cmd, folder)
}

// tellPages tells the last act: a page of evidence for each decoder, and how to see what there is now.
func tellPages(cmd *cobra.Command, folder string) error {
	tram, engine := filepath.Join(folder, story[0].decoder), filepath.Join(folder, story[1].decoder)
	for _, s := range []scene{
		{says: "What was found of each decoder, on a page to read, to print and to send.", command: "report " + tram, want: saidNo},
		{command: "report " + engine},
	} {
		if err := s.play(cmd, s.says == ""); err != nil {
			return err
		}
	}
	return printText(cmd.OutOrStdout(), `Open the page of each in a browser. Then see both side by side, or use the bench in a browser:
side by side:  fettle report %s
bench:         fettle serve %s --station bench:%s
`, filepath.Join(folder, "*"), engine, story[1].decoder)
}

// newFolder makes a folder that is not there yet: name, name-2 and so on.
func newFolder(name string) (string, error) {
	path := name
	for n := 2; ; n++ {
		err := os.Mkdir(path, 0o777)
		if !errors.Is(err, fs.ErrExist) {
			return path, err
		}
		path = fmt.Sprintf("%s-%d", name, n)
	}
}

// play plays an act in its folder.
func (a act) play(cmd *cobra.Command, folder string) (err error) {
	where := "bench:" + a.decoder
	if err := os.Setenv("FETTLE_STATION", where); err != nil {
		return err
	}
	before, err := os.Getwd()
	if err != nil {
		return err
	}
	if err := os.Chdir(folder); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.Chdir(before)) }()
	if err := printText(cmd.OutOrStdout(), "simulated bench: %s, its files in %s\n\n", a.decoder, folder); err != nil {
		return err
	}
	for i, s := range a.scenes {
		last := i+1 == len(a.scenes) || a.scenes[i+1].says != ""
		if err := s.play(cmd, last); err != nil {
			return err
		}
	}
	return nil
}

// play gives the command, and tells what came of it; last says that something else comes next.
func (s scene) play(cmd *cobra.Command, last bool) error {
	var told, failed bytes.Buffer
	args := strings.Fields(s.command)
	if level := cmd.Flag("log").Value.String(); level != "" {
		args = append(args, "--log", level)
	}
	if got := run(cmd.Context(), args, &told, &failed); got != s.want {
		err := fmt.Errorf("fettle %s: ended with status %d, want %d: %s", s.command, got, s.want, &failed)
		if cmd.Context().Err() != nil {
			err = fmt.Errorf("fettle %s: %w", s.command, context.Cause(cmd.Context()))
		}
		return failure{cmp.Or(got, saidNo), err}
	}
	if _, err := failed.WriteTo(cmd.ErrOrStderr()); err != nil {
		return err
	}
	says := ""
	if s.says != "" {
		says = s.says + "\n"
	}
	text := says + "$ fettle " + s.command + "\n" + shortened(told.String(), s.until)
	if last {
		text += "\n"
	}
	return printText(cmd.OutOrStdout(), "%s", text)
}

// shortened leaves out the line that says that the bench is simulated, empty lines, what comes from a line on that begins with until, and
// the middle of long tables.
func shortened(text, until string) string {
	if before, _, found := strings.Cut(text, "\n"+until); until != "" && found {
		text = before
	}
	const most, first, last = 9, 4, 2
	var out strings.Builder
	for paragraph := range strings.SplitSeq(strings.TrimSpace(text), "\n\n") {
		lines := strings.Split(strings.Trim(paragraph, "\n"), "\n")
		switch {
		case strings.HasPrefix(lines[0], "simulated bench: "):
			continue
		case len(lines) > most:
			fmt.Fprintf(&out, "%s\n...\n%s\n", strings.Join(lines[:first], "\n"), strings.Join(lines[len(lines)-last:], "\n"))
		default:
			fmt.Fprintln(&out, strings.Join(lines, "\n"))
		}
	}
	return out.String()
}
