package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"fettle/nmra"
)

// request is an instruction while its flags are read.
type request struct {
	instruction nmra.Instruction
	number      uint16           // of the address
	kind        nmra.AddressKind // which an address without further flags is of
	long        bool
	accessory   bool
	extended    bool
	all         bool
	part        bool // an output, where given, limits the instruction to itself
	group       string
	active      []uint8
	bitValue    uint8
	register    uint8      // counted from 1, as people do
	needs       [][]string // flags of which one has to be given, exactly one
	atMostOne   [][]string // flags of which one may be given
}

// packetFlag adds a flag to a KIND, or a few that belong together.
type packetFlag func(*pflag.FlagSet, *request)

// address is a vehicle's, or that of all.
func address(f *pflag.FlagSet, r *request) {
	addressOrAll(f, r)
	r.needs = append(r.needs, []string{"address", "all"})
}

// addressOrAll is an address that may be left out, for what is meant for all decoders as a rule.
func addressOrAll(f *pflag.FlagSet, r *request) {
	r.kind = nmra.Short
	f.Var(between(&r.number, 0, nmra.MaxLong), "address", "the decoder's address `N`, 1 to 127, or with --long 0 to 10239")
	addMark(f, &r.long, true, "long", "the address is a 14-bit one")
	addMark(f, &r.all, true, "all", "to all decoders")
	r.atMostOne = append(r.atMostOne, []string{"address", "all"}, []string{"long", "all"})
}

// anyAddress is that of a vehicle or of an accessory.
func anyAddress(f *pflag.FlagSet, r *request) {
	address(f, r)
	addMark(f, &r.accessory, true, "accessory", "the address is that of a basic accessory decoder, 0 to 510")
	addMark(f, &r.extended, true, "extended-accessory", "the address is that of an extended accessory, 0 to 2046")
	f.Var(between(&r.instruction.Output, 0, 7), "output", "with --accessory: not the whole decoder, only its output `N`, 0 to 7")
	r.part = true
	r.atMostOne = append(r.atMostOne, []string{"long", "accessory", "extended-accessory"})
}

func basicAccessory(f *pflag.FlagSet, r *request) {
	r.kind = nmra.BasicAccessory
	accessoryAddress(f, r, nmra.MaxBasicAccessory)
}

func extendedAccessory(f *pflag.FlagSet, r *request) {
	r.kind = nmra.ExtendedAccessory
	accessoryAddress(f, r, nmra.MaxExtendedAccessory)
}

// accessoryAddress is an accessory's; the highest number is that of all.
func accessoryAddress(f *pflag.FlagSet, r *request, everyone uint64) {
	f.Var(between(&r.number, 0, everyone-1), "address", fmt.Sprintf("the accessory's address `N`, 0 to %d", everyone-1))
	addMark(f, &r.all, true, "all", "to all accessories of this kind")
	r.needs = append(r.needs, []string{"address", "all"})
}

func queriedAddress(f *pflag.FlagSet, r *request) {
	r.kind = nmra.Short
	f.Var(between(&r.number, 1, 111), "address", "the address `N`, 1 to 111")
	r.needs = append(r.needs, []string{"address"})
}

func steps(f *pflag.FlagSet, r *request) {
	r.instruction.Steps = nmra.Steps28
	f.Var(between(&r.instruction.Steps, 0, 128), "steps", "the decoder is set to `N` speed steps: 14, 28 or 128")
}

func step(f *pflag.FlagSet, r *request) {
	f.Var(between(&r.instruction.Step, 1, 126), "step", "the speed step `N`, from 1 to 14, to 28, or with 128 steps to 126")
	r.needs = append(r.needs, []string{"step"})
}

func highestStep(f *pflag.FlagSet, r *request) {
	f.Var(between(&r.instruction.Step, 1, 28), "step", "with --on: the highest step `N`, 1 to 28")
}

func direction(f *pflag.FlagSet, r *request) {
	addMark(f, &r.instruction.Forward, true, "forward", "the vehicle's own front leads")
	addMark(f, &r.instruction.Forward, false, "reverse", "its rear leads")
	r.needs = append(r.needs, []string{"forward", "reverse"})
}

func ignoreDirection(f *pflag.FlagSet, r *request) {
	addMark(f, &r.instruction.IgnoreDirection, true, "ignore-direction", "the decoder need not turn to that direction; 28 steps only")
}

func light(f *pflag.FlagSet, r *request) {
	addMark(f, &r.instruction.Light, true, "light", "with the light on; 14 steps only")
}

func onOff(f *pflag.FlagSet, r *request) {
	addMark(f, &r.instruction.On, true, "on", "switch it on")
	addMark(f, &r.instruction.On, false, "off", "switch it off")
	r.needs = append(r.needs, []string{"on", "off"})
}

// groups are the functions that go together, by the name that --group has for them.
var groups = map[string]nmra.Group{
	"0-4": nmra.F0toF4, "5-8": nmra.F5toF8, "9-12": nmra.F9toF12, "13-20": nmra.F13toF20, "21-28": nmra.F21toF28,
}

func functions(f *pflag.FlagSet, r *request) {
	f.Var(oneOf(&r.group, "0-4", "5-8", "9-12", "13-20", "21-28"), "group", "switch the functions of `RANGE` 0-4, 5-8, 9-12, 13-20 or 21-28")
	f.Var(several{&r.active, 28}, "active", "those of `LIST`, as 1,3, are on, the others of the group off")
	r.needs = append(r.needs, []string{"group"})
}

func state(highest uint64) packetFlag {
	return func(f *pflag.FlagSet, r *request) {
		f.Var(between(&r.instruction.State, 0, highest), "state", fmt.Sprintf("the state `N`, 1 to %d, or 0 for all of them", highest))
		r.needs = append(r.needs, []string{"state"})
	}
}

func output(highest uint64) packetFlag {
	return func(f *pflag.FlagSet, r *request) {
		f.Var(between(&r.instruction.Output, 0, highest), "output", fmt.Sprintf("the output `N`, 0 to %d", highest))
		r.needs = append(r.needs, []string{"output"})
	}
}

func value(highest uint64) packetFlag {
	return func(f *pflag.FlagSet, r *request) {
		f.Var(between(&r.instruction.Value, 0, highest), "value", fmt.Sprintf("the value `N`, 0 to %d", highest))
		r.needs = append(r.needs, []string{"value"})
	}
}

func consist(f *pflag.FlagSet, r *request) {
	f.Var(between(&r.instruction.Consist, 0, 127), "consist", "the consist's address `N`, 1 to 127, or 0 to leave it")
	r.needs = append(r.needs, []string{"consist"})
}

func cvNumber(lowest, highest nmra.CV) packetFlag {
	return func(f *pflag.FlagSet, r *request) {
		f.Var(between(&r.instruction.CV, uint64(lowest), uint64(highest)), "cv", fmt.Sprintf("the register's number `N`, %d to %d", lowest, highest))
		r.needs = append(r.needs, []string{"cv"})
	}
}

func bit(f *pflag.FlagSet, r *request) {
	f.Var(between(&r.instruction.Bit, 0, 7), "bit", "the bit `N`, 0 to 7; 0 is the lowest")
	f.Var(between(&r.bitValue, 0, 1), "bit-value", "the bit's value `N`, 0 or 1")
	r.needs = append(r.needs, []string{"bit"}, []string{"bit-value"})
}

func physicalRegister(f *pflag.FlagSet, r *request) {
	f.Var(between(&r.register, 1, 8), "register", "the physical register `N`, 1 to 8")
	r.needs = append(r.needs, []string{"register"})
}

// flagOf is the flag that fills a field of an instruction: "bit-value" for BitValue.
func flagOf(field string) string {
	field, _, _ = strings.Cut(field, ".")
	if field == "CV" {
		return "cv"
	}
	var flag strings.Builder
	for i, c := range field {
		if c >= 'A' && c <= 'Z' {
			if i > 0 {
				flag.WriteByte('-')
			}
			c += 'a' - 'A'
		}
		flag.WriteRune(c)
	}
	return flag.String()
}

// usage lists the flags that have to be given.
func (r *request) usage(f *pflag.FlagSet) string {
	var text strings.Builder
	for _, alternatives := range r.needs {
		for i, name := range alternatives {
			flag := f.Lookup(name)
			separator := " --"
			if i > 0 {
				separator = "|--"
			}
			text.WriteString(separator + name)
			if flag.NoOptDefVal == "" {
				what, _ := pflag.UnquoteUsage(flag)
				text.WriteString(" " + what)
			}
		}
	}
	return text.String()
}

// resolve turns the flags into the instruction.
func (r *request) resolve(cmd *cobra.Command) (nmra.Instruction, error) {
	given := func(names []string) (found []string) {
		for _, name := range names {
			if cmd.Flags().Changed(name) {
				found = append(found, "--"+name)
			}
		}
		return found
	}
	var missing []string
	for _, alternatives := range r.needs {
		if len(given(alternatives)) == 0 {
			missing = append(missing, "--"+strings.Join(alternatives, " or --"))
		}
	}
	if len(missing) > 0 {
		return nmra.Instruction{}, misuse(cmd, "not given: %s", strings.Join(missing, ", "))
	}
	for _, alternatives := range append(r.needs, r.atMostOne...) {
		if found := given(alternatives); len(found) > 1 {
			return nmra.Instruction{}, misuse(cmd, "%s: want only one of them", strings.Join(found, " and "))
		}
	}
	i := r.instruction
	i.BitValue = r.bitValue == 1
	if r.register > 0 {
		i.Register = r.register - 1
	}
	i.Address = r.address(cmd.Flags().Changed("address"))
	if r.part {
		i.On = cmd.Flags().Changed("output") // that one output, not the whole decoder (S-9.2.1)
	}
	if r.group == "" {
		return i, nil
	}
	i.Group = groups[r.group]
	first, last := i.Group.Span()
	for _, n := range r.active {
		if n < first || n > last {
			return nmra.Instruction{}, misuse(cmd, "--active %d: want functions of the group, %d to %d", n, first, last)
		}
		i.States |= 1 << (n - first)
	}
	return i, nil
}

// address is the one that the flags name, or that of all.
func (r *request) address(given bool) nmra.Address {
	kind := r.kind
	switch {
	case r.long:
		kind = nmra.Long
	case r.accessory:
		kind = nmra.BasicAccessory
	case r.extended:
		kind = nmra.ExtendedAccessory
	}
	switch {
	case given:
		return nmra.Address{Kind: kind, Number: r.number}
	case kind == nmra.BasicAccessory:
		return nmra.Address{Kind: kind, Number: nmra.MaxBasicAccessory}
	case kind == nmra.ExtendedAccessory:
		return nmra.Address{Kind: kind, Number: nmra.MaxExtendedAccessory}
	}
	return nmra.Address{}
}
