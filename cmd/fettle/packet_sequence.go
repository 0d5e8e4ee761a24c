package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"fettle/nmra"
	"fettle/nmra/wave"
)

// newSequence makes the verb packet sequence, with a kind for each access to a register in service mode.
func newSequence() *cobra.Command {
	g := group(&cobra.Command{Use: "sequence KIND ...",
		Short: "Access a register in service mode, with all packets that S-9.2.3 has for it."})
	for _, k := range sequenceKinds {
		g.AddCommand(k.command())
	}
	return g
}

// sequenceKind is one KIND of the verb packet sequence.
type sequenceKind struct {
	name, short string
	operation   nmra.Operation
	flags       []packetFlag
}

var sequenceKinds = []sequenceKind{
	{"verify", "Ask whether a register holds a value.", nmra.Verify, []packetFlag{cvNumber(1, nmra.MaxCV), value(255)}},
	{"write", "Set a register.", nmra.Write, []packetFlag{cvNumber(1, nmra.MaxCV), value(255)}},
	{"verify-bit", "Ask whether a bit of a register is 0 or 1.", nmra.VerifyBit, []packetFlag{cvNumber(1, nmra.MaxCV), bit}},
	{"write-bit", "Set a bit of a register.", nmra.WriteBit, []packetFlag{cvNumber(1, nmra.MaxCV), bit}},
}

// modeNames are the modes as they are given.
var modeNames = map[string]nmra.Mode{"direct": nmra.Direct, "paged": nmra.Paged, "register": nmra.Registers, "address": nmra.AddressOnly}

func (k sequenceKind) command() *cobra.Command {
	var r request
	var s sending
	cmd := exits(&cobra.Command{
		Use:   k.name,
		Short: k.short,
		Long: `In hexadecimal each step is a line: how often its packet is sent, its bytes, what it is. All packets are sent,
as where nothing is acknowledged. With --fault the resets have none.`,
		DisableFlagsInUseLine: true,
		Args:                  noArgs,
	}, map[status]string{done: "the packets are printed", badUse: "a flag is missing or wrong, or the mode has no packet for it"})
	for _, add := range k.flags {
		add(cmd.Flags(), &r)
	}
	cmd.Use += r.usage(cmd.Flags()) + " [flags]"
	mode := "direct"
	cmd.Flags().Var(oneOf(&mode, "direct", "paged", "register", "address"), "mode", "by `MODE` direct, paged, register, or address, which is address-only mode")
	s.addFlags(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		i, err := r.resolve(cmd)
		if err != nil {
			return err
		}
		access := nmra.Access{Mode: modeNames[mode], Operation: k.operation, CV: i.CV, Value: i.Value, Bit: i.Bit, BitValue: i.BitValue}
		sequence, err := access.Sequence()
		if errors.Is(err, nmra.ErrNotInMode) {
			return misuse(cmd, "%w: want --mode %s", err, either(modesFor(access)))
		}
		if err != nil {
			return misuse(cmd, "%w", err)
		}
		signal, err := s.signal(cmd, nmra.LongPreamble, partsOf(sequence)...)
		if err != nil {
			return err
		}
		switch {
		case s.asJSON:
			return printJSON(cmd.OutOrStdout(), describeSequence(access, sequence, signal, s.describe(signal)))
		case s.form == formHex:
			return printSteps(cmd.OutOrStdout(), sequence, signal.Repeat)
		}
		return s.print(cmd.OutOrStdout(), signal)
	}
	return cmd
}

// modesFor are the modes that have packets for the access.
func modesFor(access nmra.Access) (names []string) {
	for _, name := range []string{"direct", "paged", "register", "address"} {
		access.Mode = modeNames[name]
		if _, err := access.Sequence(); err == nil {
			names = append(names, name)
		}
	}
	return names
}

// resetPacket is the packet between the others of a sequence.
var resetPacket, _ = nmra.Instruction{Kind: nmra.DecoderReset}.Encode() // it has no field that could be wrong

func partsOf(sequence nmra.Sequence) []wave.Part {
	parts := make([]wave.Part, len(sequence))
	for i, step := range sequence {
		parts[i] = wave.Part{Packet: step.Packet, Times: step.Times, Good: step.Packet == resetPacket}
	}
	return parts
}

// printSteps prints each step on a line.
func printSteps(w io.Writer, sequence nmra.Sequence, repeat int) error {
	b := bufio.NewWriter(w)
	for range repeat {
		for _, step := range sequence {
			if _, err := fmt.Fprintf(b, "%2d  %-11v  %s\n", step.Times, step.Packet, sentenceOf(step.Packet)); err != nil {
				return err
			}
		}
	}
	return b.Flush()
}

// sentenceOf is what a packet of a sequence is, in words.
func sentenceOf(p nmra.Packet) string {
	i, err := p.Instruction(nmra.ServiceTrack)
	if err != nil {
		return err.Error()
	}
	return i.String()
}

// sequenceDocument is what --json says of a sequence.
type sequenceDocument struct {
	Sentence string         `json:"sentence"`
	Mode     string         `json:"mode"`
	Steps    []sequenceStep `json:"steps"`
	sentSignal
}

type sequenceStep struct {
	Times int `json:"times"`
	sentPacket
	Sentence string `json:"sentence"`
}

func describeSequence(access nmra.Access, sequence nmra.Sequence, signal wave.Signal, sent sentSignal) sequenceDocument {
	d := sequenceDocument{Sentence: access.String(), Mode: access.Mode.String(), sentSignal: sent}
	for i, step := range sequence {
		sender := signal.Sender
		if signal.Parts[i].Good {
			sender.Fault = wave.NoFault
		}
		d.Steps = append(d.Steps, sequenceStep{step.Times, describePacket(step.Packet, sender), sentenceOf(step.Packet)})
	}
	return d
}
