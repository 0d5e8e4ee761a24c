package main

import (
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"fettle/nmra/cv"
	"fettle/prog/sheet"
)

// newExplain makes the verb explain.
func newExplain() *cobra.Command {
	cmd := exits(&cobra.Command{
		Use:   "explain REG[=VALUE]... [flags]",
		Short: "Say what the standard, or a sheet, has registers for, and what values in them mean.",
		Long: `REG is a register, as 29, a range, as 67-94, or one on an index page, as 260@16.3. With a value, each of its
bits is explained. What a value means can depend on other registers: give those as well. A sheet has names
for registers, and says what this type of decoder takes; what the standard says stands below it.`,
		Example:               "  fettle explain 27\n  fettle explain 29=38 17=208 18=107\n  fettle explain 3=12 29=6",
		DisableFlagsInUseLine: true,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return misuse(cmd, "no register: want REG or REG=VALUE, as 29 or 29=6")
			}
			return nil
		},
	}, map[status]string{done: "explained", badUse: "no such register or value"})
	asJSON, sheetFile := jsonFlag(cmd), addSheet(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		s, err := sheetFile.read()
		if err != nil {
			return err
		}
		registers, values, err := parseSettings(args, s.ParseRange)
		if err != nil {
			return misuse(cmd, "%w", err)
		}
		var explanations []explanation
		for _, r := range registers {
			explanations = append(explanations, explain(s, r, values))
		}
		if *asJSON {
			return printJSON(cmd.OutOrStdout(), explainDocument{explanations})
		}
		var texts []string
		for _, e := range explanations {
			texts = append(texts, strings.Join(e.lines(), "\n")+"\n")
		}
		return printText(cmd.OutOrStdout(), "%s", strings.Join(texts, "\n"))
	}
	return cmd
}

// explainDocument is what --json says.
type explainDocument struct {
	Registers []explanation `json:"registers"`
}

// explanation is what the standard says of a register, and a sheet where there is one that says something of it.
type explanation struct {
	cv.Explanation
	Sheet *sheet.Explanation `json:"sheet,omitempty"`
}

func explain(s sheet.Sheet, r cv.Register, values cv.Values) explanation {
	e := explanation{Explanation: cv.Explain(r)}
	own, told := s.Explain(r)
	if v, ok := values[r]; ok {
		e.Explanation = cv.ExplainValue(r, v, values)
		own, told = s.ExplainValue(r, v)
	}
	if told {
		e.Sheet = &own
	}
	return e
}

// lines gives the sheet's lines, and the standard's below them.
func (e explanation) lines() []string {
	standard := e.Lines()
	if e.Sheet == nil {
		return standard
	}
	own := *e.Sheet
	own.Bits = slices.DeleteFunc(slices.Clone(own.Bits), func(b cv.BitWord) bool { // the standard's own names come below
		return slices.ContainsFunc(e.Bits, func(known cv.BitWord) bool { return known.Number == b.Number && known.Name == b.Name })
	})
	_, first, _ := strings.Cut(standard[0], ": ")
	return slices.Concat(own.Lines(), []string{"by the standard: " + first}, standard[1:])
}
