package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"fettle/station/board/loader"
)

// newStationLoad makes the verb station load.
func newStationLoad() *cobra.Command {
	cmd := exits(&cobra.Command{
		Use:   "load PORT [flags]",
		Short: "Put the firmware onto the open board, and prove that it runs.",
		Long: `The firmware that belongs to this program goes onto the board through the serial loader that its chip came with, is read
back, and has to answer with its version. The program avrdude does it, which has to be installed (Debian: sudo apt install
avrdude). What was on the chip before is lost.

Take the track's supply away first, or take everything off the track: what is on the chip until then may do anything.`,
		Example:               "  fettle station load /dev/ttyUSB0",
		DisableFlagsInUseLine: true,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) != 1 || args[0] == "" {
				return misuse(cmd, "found %d arguments, want one PORT: fettle station list shows which there are", len(args))
			}
			return nil
		},
	}, map[status]string{
		done:          "loaded, read back, and it runs",
		badUse:        "bad use, or a PORT that is no serial port",
		stationFailed: "it could not be loaded, does not hold what was written, or does not answer",
		stopped:       "stopped with Ctrl-C; load it again",
	})
	asJSON := jsonFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		say := func(doing string) {
			if terminal(cmd.ErrOrStderr()) {
				fmt.Fprintln(cmd.ErrOrStderr(), doing+" ...")
			}
		}
		loaded, err := loader.Load(cmd.Context(), args[0], say)
		if err != nil {
			return loadFailed(cmd.Context(), err)
		}
		d := loadedDocument{loaded.Port, loaded.Firmware, loaded.Baud}
		if *asJSON {
			return printJSON(cmd.OutOrStdout(), d)
		}
		return printText(cmd.OutOrStdout(), "The board at %s has firmware %d now: read back, and it answers.\n"+
			"To go on:  fettle station try --station board:%s\n", d.Port, d.Firmware, shellWord(d.Port))
	}
	return cmd
}

// loadFailed puts what avrdude said below what it means.
func loadFailed(ctx context.Context, err error) error {
	var refused loader.Refused
	switch {
	case ctx.Err() != nil:
		return failure{stopped, fmt.Errorf("%w: the board may have no program that runs: load it again", interruption(ctx))}
	case errors.As(err, &refused) && refused.Output != "":
		return fmt.Errorf("%w\n\navrdude said\n%s", err, refused.Output)
	case errors.Is(err, loader.ErrNoProgram):
		return failure{stationFailed, err}
	}
	return err
}

// loadedDocument is what --json says of a board that was loaded.
type loadedDocument struct {
	Port     string `json:"port"`
	Firmware uint16 `json:"firmware"`
	Baud     int    `json:"loader_baud"`
}
