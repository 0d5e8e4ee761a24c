package main

import (
	"bufio"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"fettle/nmra"
	"fettle/nmra/wave"
	"fettle/nmra/wave/capture"
)

// The forms in which packets can be printed.
const (
	formHex  = "hex"
	formBits = "bits"
	formVCD  = "vcd"
	formCSV  = "csv"
	formWAV  = "wav"
)

var waveforms = []string{formVCD, formCSV, formWAV}

// sending is how packets are sent, and in which form that is printed: the flags that all kinds share.
type sending struct {
	form     string
	asJSON   bool
	repeat   uint32
	between  uint16
	preamble uint16 // 0: as a station sends it
	stretch  uint16 // in µs; 0: not stretched
	fault    faultFlag
	rate     uint32
}

// faultFlag is a flag's fault.
type faultFlag struct{ wave.Fault }

func (f *faultFlag) Set(s string) (err error) {
	if f.Fault, err = wave.ParseFault(s); err != nil {
		return fmt.Errorf("want one of %s", strings.Join(faultNames(), ", "))
	}
	return nil
}

func (f *faultFlag) String() string {
	if f.Fault == wave.NoFault {
		return ""
	}
	return dashed(f.Fault)
}

func (f *faultFlag) Type() string { return "fault" }

// dashed is a fault as it is given.
func dashed(f wave.Fault) string { return strings.ReplaceAll(f.String(), " ", "-") }

func faultNames() (names []string) {
	for _, f := range wave.Faults() {
		names = append(names, dashed(f))
	}
	return names
}

const (
	mostRepeats  = 1_000_000
	mostBetween  = 1000
	mostPreamble = 1000
	mostAirtime  = 24 * time.Hour // so that a slip of the finger fills no disk

	// What a station may send as half of a zero, in µs (S-9.1, 2020); the whole of it is then within its limit too.
	leastStretch = 95
	mostStretch  = 9900
)

// addFlags adds the flags to a kind.
func (s *sending) addFlags(cmd *cobra.Command) {
	s.form, s.repeat, s.rate = formHex, 1, usualRate
	f := cmd.Flags()
	f.Var(oneOf(&s.form, formHex, formBits, formVCD, formCSV, formWAV), "as",
		"print it as `FORM`: "+formHex+", "+formBits+", or its waveform as "+formVCD+", "+formCSV+" or "+formWAV)
	f.Var(between(&s.repeat, 1, mostRepeats), "repeat", "send all of it `N` times")
	f.Var(between(&s.preamble, 1, mostPreamble), "preamble", "send `N` ones before each packet instead of 14, or 20 in service mode")
	f.Var(between(&s.stretch, leastStretch, mostStretch), "stretch",
		fmt.Sprintf("stretch the second half of each zero to `US` microseconds, %d to %d", leastStretch, mostStretch))
	f.Var(&s.fault, "fault", "send it with a `FAULT`, to test receivers: "+strings.Join(faultNames(), ", ")+
		"; in a waveform an idle packet without it comes first and last")
	f.Var(between(&s.rate, capture.MinRate, capture.MaxRate), "rate", fmt.Sprintf("with --as wav: `HZ` samples a second, %d or more", capture.MinRate))
	addMark(f, &s.asJSON, true, "json", "print one JSON document instead")
}

// addBetween adds the flag for idle packets to a kind where they do no harm.
func (s *sending) addBetween(cmd *cobra.Command) {
	cmd.Flags().Var(between(&s.between, 0, mostBetween), "between", "send `N` idle packets between two packets")
}

// signal is what is sent, with so many preamble ones where nothing else was said. The error says which flags do not go together, or what
// can't be printed.
func (s *sending) signal(cmd *cobra.Command, preamble int, parts ...wave.Part) (wave.Signal, error) {
	if err := s.check(cmd); err != nil {
		return wave.Signal{}, err
	}
	if s.preamble > 0 {
		preamble = int(s.preamble)
	}
	signal := wave.Signal{
		Sender: wave.Sender{Preamble: preamble, Stretch: time.Duration(s.stretch) * time.Microsecond, Fault: s.fault.Fault},
		Parts:  parts,
		Repeat: int(s.repeat), Between: int(s.between),
	}
	if s.between > 0 && s.repeat == 1 && len(parts) == 1 {
		return wave.Signal{}, misuse(cmd, "--between %d: there is one packet only: want --repeat 2 or more", s.between)
	}
	if airtime := signal.Airtime(); airtime > mostAirtime {
		return wave.Signal{}, misuse(cmd, "all of it takes %.1f hours on the track: want %.0f at the most", airtime.Hours(), mostAirtime.Hours())
	}
	if s.form == formWAV && terminal(cmd.OutOrStdout()) {
		return wave.Signal{}, misuse(cmd, "--as wav: standard output is a terminal, and a WAV file is no text: want it in a file, as %s ... --as wav > packet.wav",
			cmd.CommandPath())
	}
	return signal, nil
}

// check refuses flags that say nothing with the form that is asked for.
func (s *sending) check(cmd *cobra.Command) error {
	if s.asJSON && cmd.Flags().Changed("as") {
		return misuse(cmd, "--as and --json: want only one of them")
	}
	for _, c := range []struct {
		flag  string
		forms []string
		json  bool
	}{
		{"preamble", append([]string{formBits}, waveforms...), true},
		{"stretch", waveforms, true},
		{"fault", s.showing(), true},
		{"rate", []string{formWAV}, false},
	} {
		if !cmd.Flags().Changed(c.flag) || s.asJSON && c.json || !s.asJSON && slices.Contains(c.forms, s.form) {
			continue
		}
		given, want := "--as "+s.form, "--as "+either(c.forms)
		if s.asJSON {
			given = "--json"
		}
		if c.json {
			want += ", or --json"
		}
		return misuse(cmd, "--%s %v: it shows nowhere with %s: want %s", c.flag, cmd.Flags().Lookup(c.flag).Value, given, want)
	}
	return nil
}

// either lists words of which one is wanted: "a, b or c".
func either(words []string) string {
	last := len(words) - 1
	if last == 0 {
		return words[0]
	}
	return strings.Join(words[:last], ", ") + " or " + words[last]
}

// showing are the forms that show the fault.
func (s *sending) showing() []string {
	if s.fault.InBits() {
		return append([]string{formBits}, waveforms...)
	}
	return waveforms
}

// print prints the signal in the form that was asked for.
func (s *sending) print(w io.Writer, signal wave.Signal) error {
	switch s.form {
	case formVCD:
		return capture.WriteVCD(w, signal.Halves())
	case formCSV:
		return capture.WriteCSV(w, signal.Halves())
	case formWAV:
		return capture.WriteWAV(w, int(s.rate), signal.Halves())
	}
	b := bufio.NewWriter(w)
	for p, sender := range signal.Packets() {
		line := p.String()
		if s.form == formBits {
			line = sender.BitString(p)
		}
		if _, err := fmt.Fprintln(b, line); err != nil {
			return err
		}
	}
	return b.Flush()
}

// sentPacket is what --json says of one packet.
type sentPacket struct {
	Bytes string `json:"bytes"`
	Bits  string `json:"bits"` // as they are sent; where a half is at fault, as they would be without that
}

func describePacket(p nmra.Packet, sender wave.Sender) sentPacket {
	return sentPacket{p.String(), sender.BitString(p)}
}

// sentSignal is what --json says of a signal.
type sentSignal struct {
	PreambleBits int    `json:"preamble_bits"`
	StretchUS    uint16 `json:"stretch_us,omitempty"`
	Fault        string `json:"fault,omitempty"`
	Repeat       uint32 `json:"repeat,omitempty"` // more than once
	Between      uint16 `json:"between,omitempty"`
	AirtimeUS    int64  `json:"airtime_us"` // of all packets
}

func (s *sending) describe(signal wave.Signal) sentSignal {
	d := sentSignal{
		PreambleBits: strings.IndexByte(signal.Sender.BitString(signal.Parts[0].Packet), ' '),
		StretchUS:    s.stretch, Fault: s.fault.String(), Between: s.between,
		AirtimeUS: signal.Airtime().Microseconds(),
	}
	if s.repeat > 1 {
		d.Repeat = s.repeat
	}
	return d
}
