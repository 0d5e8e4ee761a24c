package main

import (
	"errors"
	"strings"

	"github.com/spf13/cobra"

	"fettle/nmra"
	"fettle/nmra/wave"
)

// newPacket makes the verb packet: a kind below it for each instruction that nmra can encode, for many packets at once, and parse.
func newPacket() *cobra.Command {
	packet := group(&cobra.Command{
		Use:   "packet KIND ...",
		Short: "Turn instructions into packets and waveforms, and packets back into words.",
		Long: `Each kind prints its packet in hexadecimal, or with --as as bits or as a waveform, for equipment that plays it
or receivers that are tested with it. Nothing is sent to a track.

Caution: what plays a waveform on a track takes the place of the station: never connect both. Its current has to
be limited, and every decoder on the track hears it: nothing may be there that can move and must not. Play
service mode on an isolated programming track only, with no more than 250 mA, since all decoders obey it;
signals with a fault on a test bench only.`,
	})
	for _, k := range vehicleKinds {
		packet.AddCommand(k.command())
	}
	packet.AddCommand(
		kindGroup("cv", "Read and set registers of a decoder on the main track.", mainAccessKinds),
		kindGroup("service", "Read and set registers on the programming track, in service mode.", serviceKinds),
		newSequence(),
		newPacketFile(),
		newParse(),
	)
	return packet
}

func kindGroup(name, short string, kinds []packetKind) *cobra.Command {
	g := group(&cobra.Command{Use: name + " KIND ...", Short: short})
	for _, k := range kinds {
		g.AddCommand(k.command())
	}
	return g
}

// packetKind is one KIND of the verb packet: an instruction, and the flags that fill its fields.
type packetKind struct {
	name, short string
	from        nmra.Instruction // what the flags add to
	flags       []packetFlag
}

var vehicleKinds = []packetKind{
	{"speed", "Run at a speed step.", nmra.Instruction{Kind: nmra.Speed},
		[]packetFlag{address, steps, step, direction, light}},
	{"stop", "Slow down and stop.", nmra.Instruction{Kind: nmra.Stop},
		[]packetFlag{address, steps, direction, ignoreDirection, light}},
	{"emergency-stop", "Cut the motor's current at once.", nmra.Instruction{Kind: nmra.EmergencyStop},
		[]packetFlag{address, steps, direction, ignoreDirection, light}},
	{"restricted", "Set or lift the highest step that a vehicle may run at.", nmra.Instruction{Kind: nmra.RestrictedSpeed},
		[]packetFlag{address, onOff, highestStep}},
	{"functions", "Switch the functions of a group, all at once.", nmra.Instruction{Kind: nmra.Functions},
		[]packetFlag{address, functions}},
	{"binary-state", "Switch a binary state, 1 to 32767, in the long form.", nmra.Instruction{Kind: nmra.BinaryStateLong},
		[]packetFlag{address, state(32767), onOff}},
	{"binary-state-short", "Switch a binary state, 1 to 127, in the short form.", nmra.Instruction{Kind: nmra.BinaryStateShort},
		[]packetFlag{address, state(127), onOff}},
	{"analogue", "Set an analogue function.", nmra.Instruction{Kind: nmra.AnalogueFunction},
		[]packetFlag{address, output(255), value(255)}},
	{"consist", "Put a vehicle into a consist, or take it out.", nmra.Instruction{Kind: nmra.SetConsist},
		[]packetFlag{address, consist, direction}},
	{"reset", "Bring decoders, all where none is named, to their state after power-on.", nmra.Instruction{Kind: nmra.DecoderReset},
		[]packetFlag{addressOrAll}},
	{"hard-reset", "Reset decoders thoroughly: the hard reset.", nmra.Instruction{Kind: nmra.HardReset},
		[]packetFlag{address}},
	{"extended-addressing", "Switch the use of the extended address, bit 5 of CV 29.", nmra.Instruction{Kind: nmra.ExtendedAddressing},
		[]packetFlag{address, onOff}},
	{"acknowledge", "Ask a decoder for an acknowledgement.", nmra.Instruction{Kind: nmra.AcknowledgeRequest},
		[]packetFlag{address, onOff}},
	{"query", "Ask whether an old decoder has an address.", nmra.Instruction{Kind: nmra.AddressQuery},
		[]packetFlag{queriedAddress}},
	{"idle", "Say nothing to anyone.", nmra.Instruction{Kind: nmra.Idle}, nil},
	{"accessory", "Switch an output of a basic accessory decoder.", nmra.Instruction{Kind: nmra.AccessoryOutput},
		[]packetFlag{basicAccessory, output(7), onOff}},
	{"aspect", "Show an aspect at an extended accessory, such as a signal.", nmra.Instruction{Kind: nmra.AccessoryAspect},
		[]packetFlag{extendedAccessory, value(31)}},
}

var mainAccessKinds = []packetKind{
	{"verify", "Ask whether a register holds a value.", nmra.Instruction{Kind: nmra.MainVerify},
		[]packetFlag{anyAddress, cvNumber(1, nmra.MaxCV), value(255)}},
	{"write", "Set a register.", nmra.Instruction{Kind: nmra.MainWrite},
		[]packetFlag{anyAddress, cvNumber(1, nmra.MaxCV), value(255)}},
	{"verify-bit", "Ask whether a bit of a register is 0 or 1.", nmra.Instruction{Kind: nmra.MainVerifyBit},
		[]packetFlag{anyAddress, cvNumber(1, nmra.MaxCV), bit}},
	{"write-bit", "Set a bit of a register.", nmra.Instruction{Kind: nmra.MainWriteBit},
		[]packetFlag{anyAddress, cvNumber(1, nmra.MaxCV), bit}},
	{"write-short", "Set CV 23 or 24, in the short form.", nmra.Instruction{Kind: nmra.MainWriteShort},
		[]packetFlag{address, cvNumber(23, 24), value(255)}},
}

var serviceKinds = []packetKind{
	{"verify", "Ask in direct mode whether a register holds a value.", nmra.Instruction{Kind: nmra.DirectVerify},
		[]packetFlag{cvNumber(1, nmra.MaxCV), value(255)}},
	{"write", "Set a register in direct mode.", nmra.Instruction{Kind: nmra.DirectWrite},
		[]packetFlag{cvNumber(1, nmra.MaxCV), value(255)}},
	{"verify-bit", "Ask in direct mode whether a bit is 0 or 1.", nmra.Instruction{Kind: nmra.DirectVerifyBit},
		[]packetFlag{cvNumber(1, nmra.MaxCV), bit}},
	{"write-bit", "Set a bit in direct mode.", nmra.Instruction{Kind: nmra.DirectWriteBit},
		[]packetFlag{cvNumber(1, nmra.MaxCV), bit}},
	{"register-verify", "Ask whether a physical register holds a value.", nmra.Instruction{Kind: nmra.RegisterVerify},
		[]packetFlag{physicalRegister, value(255)}},
	{"register-write", "Set a physical register: register, paged and address-only mode.", nmra.Instruction{Kind: nmra.RegisterWrite},
		[]packetFlag{physicalRegister, value(255)}},
	{"page-preset", "Set the page register to 1.", nmra.PagePreset(), nil},
	{"factory-reset", "Ask for the values that the decoder left its maker with.", nmra.FactoryReset(), nil},
}

func (k packetKind) command() *cobra.Command {
	r := request{instruction: k.from}
	var s sending
	cmd := exits(&cobra.Command{Use: k.name, Short: k.short, DisableFlagsInUseLine: true, Args: noArgs},
		map[status]string{done: "the packet is printed", badUse: "a flag is missing or wrong"})
	for _, add := range k.flags {
		add(cmd.Flags(), &r)
	}
	cmd.Use += r.usage(cmd.Flags()) + " [flags]"
	s.addFlags(cmd)
	s.addBetween(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		i, err := r.resolve(cmd)
		if err != nil {
			return err
		}
		p, err := i.Encode()
		var wrong *nmra.FieldError
		if errors.As(err, &wrong) {
			return misuse(cmd, "--%s %d: want %s", flagOf(wrong.Field), wrong.Found, wrong.Want)
		}
		if err != nil {
			return misuse(cmd, "%w", err)
		}
		signal, err := s.signal(cmd, preambleOf(i), wave.Part{Packet: p})
		if err != nil {
			return err
		}
		if s.asJSON {
			document := packetDocument{describePacket(p, signal.Sender), s.describe(signal), i.String()}
			return printJSON(cmd.OutOrStdout(), document)
		}
		return s.print(cmd.OutOrStdout(), signal)
	}
	return cmd
}

// preambleOf is how many one bits a station sends before the instruction's packet.
func preambleOf(i nmra.Instruction) int {
	if i.Kind.Service() {
		return nmra.LongPreamble
	}
	return nmra.Preamble
}

// packetDocument is what --json says of a packet.
type packetDocument struct {
	sentPacket
	sentSignal
	Sentence string `json:"sentence"`
}

// noArgs refuses words after the flags of a verb that takes none.
func noArgs(cmd *cobra.Command, args []string) error {
	if len(args) > 0 {
		return misuse(cmd, "%q: want flags only. See %s --help", strings.Join(args, " "), cmd.CommandPath())
	}
	return nil
}
