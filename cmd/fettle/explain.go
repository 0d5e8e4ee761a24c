package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"fettle/nmra/cv"
)

// newExplain makes the verb explain.
func newExplain() *cobra.Command {
	cmd := exits(&cobra.Command{
		Use:   "explain REG[=VALUE]... [flags]",
		Short: "Say what the standard has registers for, and what values in them mean.",
		Long: `REG is a register, as 29, a range, as 67-94, or one on an index page, as 260@16.3. With a value, each of its
bits is explained. What a value means can depend on other registers: give those as well.`,
		Example:               "  fettle explain 27\n  fettle explain 29=38 17=208 18=107\n  fettle explain 3=12 29=6",
		DisableFlagsInUseLine: true,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return misuse(cmd, "no register: want REG or REG=VALUE, as 29 or 29=6")
			}
			return nil
		},
	}, map[status]string{done: "explained", badUse: "no such register or value"})
	asJSON := jsonFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		registers, values, err := parseSettings(args)
		if err != nil {
			return misuse(cmd, "%w", err)
		}
		var explanations []cv.Explanation
		for _, r := range registers {
			if v, ok := values[r]; ok {
				explanations = append(explanations, cv.ExplainValue(r, v, values))
			} else {
				explanations = append(explanations, cv.Explain(r))
			}
		}
		if *asJSON {
			return printJSON(cmd.OutOrStdout(), explainDocument{explanations})
		}
		var texts []string
		for _, e := range explanations {
			texts = append(texts, strings.Join(e.Lines(), "\n")+"\n")
		}
		_, err = fmt.Fprint(cmd.OutOrStdout(), strings.Join(texts, "\n"))
		return err
	}
	return cmd
}

// explainDocument is what --json says.
type explainDocument struct {
	Registers []cv.Explanation `json:"registers"`
}
