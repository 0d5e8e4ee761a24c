package main

import "github.com/spf13/cobra"

// newTrial makes the verb trial and those below it.
func newTrial() *cobra.Command {
	return group(&cobra.Command{
		Use:   "trial VERB ...",
		Short: "Prove on the track whether a vehicle stops at the signal, and tune it.",
		Long: `A trial file says what is wanted, and which runs are to be made. Plan them, make them with run or record, and judge them:
does it stop with the section and not against it, either end leading, where, and how far do stops scatter?

Caution, common practice, no source: something moves. Keep hands, tools and loose clothes off the track and its
surroundings, stay beside it with a hand on the switch that cuts its power, and see that what runs on past the signal
can't fall or hit anything. A stop on the track is a request, and a decoder that does not hear it runs on.`,
	},
		newTrialPlan(),
		newTrialRun(),
		newTrialRecord(),
		newTrialJudge(),
		newTrialTune(),
	)
}
