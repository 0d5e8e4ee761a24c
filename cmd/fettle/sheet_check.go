package main

import (
	"github.com/spf13/cobra"

	"fettle/prog/sheet"
)

// newSheetCheck makes the verb sheet check.
func newSheetCheck() *cobra.Command {
	cmd := exits(&cobra.Command{
		Use:   "check FILE [flags]",
		Short: "Look for mistakes in a sheet.",
		Long: `Each mistake is named with its line and column: registers told of twice, names that two registers have or that the
notation would take for something else, defaults that can't be written, bits and pages that are not there.`,
		Example:               "  fettle sheet check engine-30.toml",
		DisableFlagsInUseLine: true,
		Args:                  oneArgument("sheet", "FILE"),
	}, map[status]string{done: "no mistakes", badUse: "bad use, or mistakes in the sheet"})
	asJSON := jsonFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		s, err := sheet.Read(args[0])
		if err != nil {
			return err
		}
		d := contents(args[0], s)
		if *asJSON {
			return printJSON(cmd.OutOrStdout(), d)
		}
		return printText(cmd.OutOrStdout(), "%s: no mistakes. It is for %v.\n\n%v", args[0], s.Decoder, d)
	}
	return cmd
}
