package main

import (
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/spf13/cobra"

	"fettle/nmra"
	"fettle/nmra/wave"
)

// newPacketFile makes the verb packet file.
func newPacketFile() *cobra.Command {
	var s sending
	cmd := exits(&cobra.Command{
		Use:   "file FILE [flags]",
		Short: "Send the packets of a file, one behind the other.",
		Long: `The file has one packet a line, its bytes or its bits as packet parse takes them; from # to the end of a line
is a comment. FILE - is standard input. The bytes are sent as they are, so that a packet can be wrong on purpose:
a wrong check byte is told on standard error, and sent. Nothing is printed of a file with any error.`,
		Example: "  fettle packet file shunter.txt --between 2 --repeat 10 --as wav > shunter.wav",
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) != 1 {
				return misuse(cmd, "%d files: want one, or - for standard input", len(args))
			}
			return nil
		},
		DisableFlagsInUseLine: true,
	}, map[status]string{done: "the packets are printed", badUse: "a flag or the file is wrong"})
	s.addFlags(cmd)
	s.addBetween(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		name, text, err := readList(cmd, args[0])
		if err != nil {
			return err
		}
		list, err := nmra.ReadList(name, text)
		if err != nil {
			return err
		}
		parts := make([]wave.Part, len(list))
		for i, entry := range list {
			parts[i].Packet = entry.Packet
		}
		signal, err := s.signal(cmd, nmra.Preamble, parts...)
		if err != nil {
			return err
		}
		if err := s.tellChecks(cmd, name, list); err != nil {
			return err
		}
		if s.asJSON {
			return printJSON(cmd.OutOrStdout(), describeList(list, signal, s.describe(signal)))
		}
		return s.print(cmd.OutOrStdout(), signal)
	}
	return cmd
}

// mostListBytes is how long a file of packets may be: ten thousand lines of bits behind the longest preamble, with spaces.
const mostListBytes = 12 << 20

// readList reads a file of packets, and gives the name that errors have for it.
func readList(cmd *cobra.Command, path string) (name, text string, err error) {
	name, from := "standard input", cmd.InOrStdin()
	if path != "-" {
		f, err := os.Open(path)
		if err != nil {
			return "", "", fmt.Errorf("file of packets: %w", err)
		}
		defer f.Close()
		name, from = path, f
	}
	data, err := io.ReadAll(io.LimitReader(from, mostListBytes+1))
	if err != nil {
		return "", "", fmt.Errorf("file of packets: %w", err)
	}
	if len(data) > mostListBytes {
		return "", "", fmt.Errorf("%s: found more than %d bytes, want %d packets at the most", name, mostListBytes, nmra.MaxListed)
	}
	return name, string(data), nil
}

// mostTold is how many wrong check bytes are told one by one.
const mostTold = 10

// tellChecks tells which check bytes are wrong. A fault that would change them has to be asked for where they are right.
func (s *sending) tellChecks(cmd *cobra.Command, name string, list []nmra.Listed) error {
	wrong := 0
	for _, entry := range list {
		fault := checkFault(entry.Packet)
		if fault == nil {
			continue
		}
		if s.fault.Fault == wave.WrongCheck {
			return misuse(cmd, "--fault wrong-check: %s:%d has a wrong check byte already", name, entry.Line)
		}
		if wrong++; wrong <= mostTold {
			if err := printText(cmd.ErrOrStderr(), "%s:%d: the check byte is %02X, want %s: it is sent as it is\n", name, entry.Line, fault.Found, fault.Want); err != nil {
				return err
			}
		}
	}
	if wrong > mostTold {
		return printText(cmd.ErrOrStderr(), "%s: and %d more\n", name, wrong-mostTold)
	}
	return nil
}

// checkFault says what is wrong with the check byte of a packet, nil where it is right.
func checkFault(p nmra.Packet) *nmra.ParseError {
	_, err := p.Instruction(nmra.MainTrack)
	var fault *nmra.ParseError
	if errors.As(err, &fault) && errors.Is(fault, nmra.ErrCheck) {
		return fault
	}
	return nil
}

// listDocument is what --json says of a file of packets.
type listDocument struct {
	Packets []listedPacket `json:"packets"`
	sentSignal
}

type listedPacket struct {
	Line int `json:"line"`
	sentPacket
	Check string `json:"check"` // "right", or "wrong" in the file
}

func describeList(list []nmra.Listed, signal wave.Signal, sent sentSignal) listDocument {
	d := listDocument{sentSignal: sent}
	for _, entry := range list {
		check := "right"
		if checkFault(entry.Packet) != nil {
			check = "wrong"
		}
		d.Packets = append(d.Packets, listedPacket{entry.Line, describePacket(entry.Packet, signal.Sender), check})
	}
	return d
}
