package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/sirupsen/logrus"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// run gives the command its arguments, and says its errors on stderr.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) status {
	started := time.Now()
	root := newRoot()
	root.SetArgs(args)
	root.SetOut(stdout)
	root.SetErr(stderr)
	verb, err := root.ExecuteContextC(ctx)
	code := statusOf(err)
	if err != nil && err.Error() != "" {
		fmt.Fprintln(stderr, wrapped("fettle: "+inWords(err), screenWidth, "  "))
	}
	logrus.WithFields(logrus.Fields{"verb": verb.CommandPath(), "status": int(code), "took": time.Since(started)}).Info("done")
	return code
}

func newRoot() *cobra.Command {
	cobra.EnableCommandSorting = false // they are in the order of the work
	root := group(&cobra.Command{Use: "fettle VERB ...", Short: "A bench for DCC decoders."},
		newDemo(),
		newIdentify(),
		newRead(),
		newWrite(),
		newSurvey(),
		newApply(),
		newUndo(),
		newCheck(),
		newReset(),
		newCompare(),
		newExplain(),
		newSheet(),
		newStation(),
		newPacket(),
		newSignal(),
		newTrial(),
		newReport(),
		newServe(),
	)
	root.SilenceErrors = true
	root.SilenceUsage = true
	root.CompletionOptions.DisableDefaultCmd = true
	root.SetHelpCommand(newHelp())
	root.SetFlagErrorFunc(flagError)
	root.SetHelpFunc(func(cmd *cobra.Command, _ []string) { fmt.Fprint(cmd.OutOrStdout(), help(cmd)) })
	level := root.PersistentFlags().String("log", "", "write a log to standard error, at `LEVEL` warn, info or debug")
	root.PersistentPreRunE = func(cmd *cobra.Command, _ []string) error { return setLog(cmd, *level) }
	logrus.SetOutput(io.Discard)
	return root
}

// group is a command that has only its verbs. Alone it gives its help.
func group(cmd *cobra.Command, verbs ...*cobra.Command) *cobra.Command {
	cmd.AddCommand(verbs...)
	cmd.DisableFlagsInUseLine = true
	cmd.Args = func(cmd *cobra.Command, args []string) error {
		if len(args) > 0 {
			return unknownVerb(cmd, args[0])
		}
		return nil
	}
	cmd.RunE = func(cmd *cobra.Command, _ []string) error { return cmd.Help() }
	cmd.SuggestionsMinimumDistance = 2
	return cmd
}

func unknownVerb(cmd *cobra.Command, verb string) error {
	hint := ""
	if near := cmd.SuggestionsFor(verb); len(near) > 0 {
		hint = " Near it: " + strings.Join(near, ", ") + "."
	}
	return misuse(cmd, "no %s %q.%s See %s --help", strings.ToLower(nounOf(cmd)), verb, hint, cmd.CommandPath())
}

// nounOf is what a group calls its verbs: VERB, or KIND.
func nounOf(cmd *cobra.Command) string { return strings.Fields(cmd.Use)[1] }

func flagError(cmd *cobra.Command, err error) error {
	if before := cmd.Flags().Args(); cmd.HasSubCommands() && len(before) > 0 {
		return unknownVerb(cmd, before[0]) // its flags are unknown only since it is
	}
	var invalid *pflag.InvalidValueError
	if errors.As(err, &invalid) {
		return misuse(cmd, "--%s %q: %w", invalid.GetFlag().Name, invalid.GetValue(), invalid.Unwrap())
	}
	return misuse(cmd, "%w. See %s --help", err, cmd.CommandPath())
}

func setLog(cmd *cobra.Command, level string) error {
	if level == "" {
		return nil
	}
	if !slices.Contains([]string{"warn", "info", "debug"}, level) {
		return misuse(cmd, "--log %q: want warn, info or debug", level)
	}
	parsed, err := logrus.ParseLevel(level)
	if err != nil {
		return err
	}
	logrus.SetLevel(parsed)
	logrus.SetFormatter(&logrus.TextFormatter{DisableColors: !coloured(cmd.ErrOrStderr()), FullTimestamp: true})
	logrus.SetOutput(cmd.ErrOrStderr())
	return nil
}

// exits says in the verb's help what each of its exit statuses means.
func exits(cmd *cobra.Command, meanings map[status]string) *cobra.Command {
	var text strings.Builder
	for _, s := range slices.Sorted(maps.Keys(meanings)) {
		text.WriteString(wrapped(fmt.Sprintf("  %d  %s\n", s, meanings[s]), screenWidth, "     "))
	}
	cmd.Annotations = map[string]string{"exits": text.String()}
	return cmd
}

func newHelp() *cobra.Command {
	return &cobra.Command{Use: "help VERB ...", Hidden: true, RunE: func(cmd *cobra.Command, args []string) error {
		verb, rest, err := cmd.Root().Find(args)
		if err != nil {
			return err
		}
		if len(rest) > 0 {
			return unknownVerb(verb, rest[0])
		}
		return verb.Help()
	}}
}

// help is what --help of a verb prints.
func help(cmd *cobra.Command) string {
	var text strings.Builder
	text.WriteString(cmd.Short + "\n")
	if cmd.Long != "" {
		text.WriteString("\n" + flowed(strings.TrimSpace(cmd.Long)) + "\n")
	}
	fmt.Fprintf(&text, "\nusage: %s\n", cmd.UseLine())
	if cmd.HasAvailableSubCommands() {
		text.WriteString("\n")
		for _, verb := range cmd.Commands() {
			if verb.IsAvailableCommand() {
				fmt.Fprintf(&text, "  %-*s  %s\n", verb.NamePadding(), verb.Name(), verb.Short)
			}
		}
		fmt.Fprintf(&text, "\n%s %s --help says more of each.\n", cmd.CommandPath(), nounOf(cmd))
	}
	if cmd.HasExample() {
		text.WriteString("\nexamples\n" + strings.TrimRight(cmd.Example, "\n") + "\n")
	}
	if cmd.HasAvailableFlags() {
		text.WriteString("\nflags\n" + cmd.Flags().FlagUsagesWrapped(screenWidth))
	}
	if exits, ok := cmd.Annotations["exits"]; ok {
		text.WriteString("\nexit status\n" + exits)
	}
	return text.String()
}
