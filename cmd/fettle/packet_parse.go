package main

import (
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"fettle/nmra"
)

// newParse makes the verb packet parse.
func newParse() *cobra.Command {
	cmd := exits(&cobra.Command{
		Use:   "parse BYTES... [flags]",
		Short: "Say in words what a packet asks for.",
		Long: `The bytes are hexadecimal, the check byte last, with or without spaces and 0x. The bits of a packet, as
--as bits prints them, are read too. Where the same bytes mean one thing on the main track and another in
service mode, both are said.`,
		Example:               "  fettle packet parse 37 74 43\n  fettle packet parse 0x7C027E",
		DisableFlagsInUseLine: true,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return misuse(cmd, "no bytes: want those of a packet, as 37 74 43")
			}
			return nil
		},
	}, map[status]string{done: "the packet means something", badUse: "no packet, or one that means nothing"})
	mainTrack := addBaselineSteps(cmd)
	asJSON := jsonFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		p, err := nmra.ReadPacket(strings.Join(args, " "))
		var text *nmra.TextError
		switch {
		case errors.As(err, &text):
			return err
		case err != nil:
			return inHex(err)
		}
		readings, err := read(p, mainTrack())
		if err != nil {
			return inHex(err)
		}
		if *asJSON {
			return printJSON(cmd.OutOrStdout(), parseDocument{p.String(), readings})
		}
		for _, r := range readings {
			line := r.Sentence
			if len(readings) > 1 && r.Track == onMain {
				line = "on the main track: " + line // a sentence in service mode says so itself
			}
			if err := printText(cmd.OutOrStdout(), "%s\n", line); err != nil {
				return err
			}
		}
		return nil
	}
	return cmd
}

// addBaselineSteps adds the flag that says how a baseline speed is read, and gives what it says.
func addBaselineSteps(cmd *cobra.Command) func() nmra.Track {
	steps := "28"
	cmd.Flags().Var(oneOf(&steps, "14", "28"), "steps", "read a baseline speed as a decoder set to `N` speed steps does, 14 or 28")
	return func() nmra.Track {
		if steps == "14" {
			return nmra.MainTrack14
		}
		return nmra.MainTrack
	}
}

// inHex says how the bytes in an error are written, which someone who gave others may not know.
func inHex(err error) error { return fmt.Errorf("%w (bytes in hexadecimal)", err) }

// parseDocument is what --json says of a packet that was read.
type parseDocument struct {
	Bytes    string    `json:"bytes"`
	Readings []reading `json:"readings"`
}

// reading is what a packet means on one of the tracks.
type reading struct {
	Track       string `json:"track"`
	Instruction string `json:"instruction"`
	Sentence    string `json:"sentence"`
}

// The tracks of a reading.
const (
	onMain    = "main"
	onService = "service"
)

// read gives all that the packet may mean. The error says why it means nothing, on the one track and on the other.
func read(p nmra.Packet, mainTrack nmra.Track) ([]reading, error) {
	var readings []reading
	main, mainErr := p.Instruction(mainTrack)
	if mainErr == nil {
		readings = append(readings, reading{onMain, main.Kind.String(), main.String()})
	}
	service, serviceErr := p.Instruction(nmra.ServiceTrack)
	if serviceErr == nil && service.Kind.Service() {
		readings = append(readings, reading{onService, service.Kind.String(), service.String()})
	}
	switch {
	case len(readings) > 0:
		return readings, nil
	case serviceErr == nil || serviceErr.Error() == mainErr.Error():
		return nil, mainErr
	}
	return nil, fmt.Errorf("on the main track: %w; in service mode: %w", mainErr, serviceErr)
}
