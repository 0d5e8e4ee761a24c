package main

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// bounded is a flag's whole number.
type bounded[T ~uint8 | ~uint16 | ~uint32] struct {
	to          *T
	least, most uint64
}

func between[T ~uint8 | ~uint16 | ~uint32](to *T, least, most uint64) pflag.Value {
	return bounded[T]{to, least, most}
}

func (b bounded[T]) Set(s string) error {
	n, err := strconv.ParseUint(s, 10, 64)
	if err != nil || n < b.least || n > b.most {
		return fmt.Errorf("want a whole number from %d to %d", b.least, b.most)
	}
	*b.to = T(n)
	return nil
}

// String is what --help gives as the default; zero stands for none.
func (b bounded[T]) String() string {
	if b.to == nil {
		return ""
	}
	return strconv.FormatUint(uint64(*b.to), 10)
}

func (bounded[T]) Type() string { return "number" }

// several is a flag's list of whole numbers, from 0 to most.
type several struct {
	to   *[]uint8
	most uint64
}

func (l several) Set(s string) error {
	for word := range strings.SplitSeq(s, ",") {
		n, err := strconv.ParseUint(word, 10, 64)
		if err != nil || n > l.most {
			return fmt.Errorf("want whole numbers from 0 to %d, as 1,3", l.most)
		}
		*l.to = append(*l.to, uint8(n))
	}
	return nil
}

func (several) String() string { return "" }
func (several) Type() string   { return "list" }

// choice is a flag's word, one of a few.
type choice struct {
	to    *string
	words []string
}

func oneOf(to *string, words ...string) pflag.Value { return choice{to, words} }

func (c choice) Set(s string) error {
	if !slices.Contains(c.words, s) {
		return fmt.Errorf("want one of %s", strings.Join(c.words, ", "))
	}
	*c.to = s
	return nil
}

func (c choice) String() string {
	if c.to == nil {
		return ""
	}
	return *c.to
}

func (choice) Type() string { return "word" }

// mark is a flag without a value: to give it sets to to is.
type mark struct {
	to *bool
	is bool
}

// addMark adds a flag without a value.
func addMark(f *pflag.FlagSet, to *bool, is bool, name, usage string) {
	f.AddFlag(&pflag.Flag{Name: name, Usage: usage, Value: mark{to, is}, NoOptDefVal: "true"})
}

func (m mark) Set(s string) error {
	if s != "true" {
		return fmt.Errorf("it takes no value")
	}
	*m.to = m.is
	return nil
}

func (mark) String() string { return "" }
func (mark) Type() string   { return "bool" }

// jsonFlag adds --json.
func jsonFlag(cmd *cobra.Command) *bool {
	asJSON := new(bool)
	addMark(cmd.Flags(), asJSON, true, "json", "print one JSON document instead")
	return asJSON
}
