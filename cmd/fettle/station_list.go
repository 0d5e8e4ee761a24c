package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"

	"github.com/spf13/cobra"

	"fettle/station/board/loader"
	"fettle/station/port"
)

// newStationList makes the verb station list.
func newStationList() *cobra.Command {
	cmd := exits(&cobra.Command{
		Use:   "list [PORT ...] [flags]",
		Short: "List the serial ports, and find the open board.",
		Long: `What the operating system knows of each serial port; a stable name is one that stays whatever else is plugged in.

Which of them is the open board is asked only at a PORT that is named, by any of its names, or with --ask at each one on USB:
opening a port starts many devices anew that hang at it, and whatever they were doing ends.`,
		Example:               "  fettle station list\n  fettle station list --ask\n  fettle station list /dev/ttyUSB0 --json",
		DisableFlagsInUseLine: true,
	}, map[status]string{
		done:          "listed, and the open board answers at each PORT named",
		badUse:        "bad use, or a PORT that is no serial port",
		stationFailed: "a PORT named can't be opened, or no board answers at it",
		stopped:       "stopped with Ctrl-C",
	})
	asJSON := jsonFlag(cmd)
	ask := false
	addMark(cmd.Flags(), &ask, true, "ask", "ask at each port on USB whether it is the open board")
	cmd.RunE = func(cmd *cobra.Command, names []string) error {
		ports, err := listPorts(names, ask)
		if err != nil {
			return err
		}
		failed := askPorts(cmd.Context(), cmd.ErrOrStderr(), ports)
		if err := cmd.Context().Err(); err != nil {
			return failure{stopped, interruption(cmd.Context())}
		}
		d := portsDocument{ports}
		if *asJSON {
			err = printJSON(cmd.OutOrStdout(), d)
		} else {
			err = printText(cmd.OutOrStdout(), "%v", d)
		}
		if err == nil && failed != nil {
			return failure{statusOf(failed), nil} // standard output has said it
		}
		return err
	}
	return cmd
}

// portsDocument is what --json says of the ports.
type portsDocument struct {
	Ports []*portDocument `json:"ports"`
}

type portDocument struct {
	Port     string  `json:"port"`
	Stable   string  `json:"stable_name,omitempty"`
	USB      string  `json:"usb_ids,omitempty"` // of vendor and product, in hexadecimal
	Device   string  `json:"device,omitempty"`  // what it calls itself
	Serial   string  `json:"serial_number,omitempty"`
	Asked    bool    `json:"asked"`
	Firmware *uint16 `json:"board_firmware"` // null: not asked, or no open board
	Error    string  `json:"error,omitempty"`
	named    bool
}

// listPorts lists the ports there are, and those named that are not among them.
func listPorts(names []string, ask bool) ([]*portDocument, error) {
	found, err := port.List()
	if err != nil {
		return nil, failure{stationFailed, err}
	}
	var named []port.Info
	for _, name := range names {
		p, err := port.Find(name)
		if err != nil {
			return nil, failure{stationFailed, err}
		}
		if !slices.Contains(found, p) {
			found = append(found, p)
		}
		named = append(named, p)
	}
	ports := []*portDocument{}
	for _, p := range found {
		d := &portDocument{Port: p.Name, Stable: p.Stable, Device: p.Text, Serial: p.Serial, named: slices.Contains(named, p)}
		if p.USB {
			d.USB = fmt.Sprintf("%04X:%04X", p.Vendor, p.Product)
		}
		d.Asked = d.named || ask && p.USB
		ports = append(ports, d)
	}
	return ports, nil
}

// askPorts says hello at all ports at once. The error is that of a port that was named.
func askPorts(ctx context.Context, stderr io.Writer, ports []*portDocument) error {
	var asking sync.WaitGroup
	errs := make([]error, len(ports))
	for n, p := range ports {
		if !p.Asked {
			continue
		}
		asking.Go(func() {
			version, err := loader.Hello(p.Port)
			if err != nil {
				errs[n], p.Error = err, inWords(err)
				return
			}
			p.Firmware = &version
		})
	}
	all := make(chan struct{})
	go func() {
		asking.Wait()
		close(all)
	}()
	if terminal(stderr) {
		fmt.Fprint(stderr, "asking; a port at which nobody answers takes some seconds ...\r")
		defer fmt.Fprint(stderr, "\x1b[K")
	}
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-all:
	}
	for n, p := range ports {
		if p.named && errs[n] != nil {
			return errs[n]
		}
	}
	return nil
}

// String tells of each port, a fact a line.
func (d portsDocument) String() string {
	if len(d.Ports) == 0 {
		return "This computer has no serial port. If a cable is in: it may carry no data, or the system may lack its driver.\n"
	}
	var text strings.Builder
	asked := false
	for _, p := range d.Ports {
		asked = asked || p.Asked
		facts := []string{}
		for _, fact := range []struct{ words, value string }{{"", p.Device}, {"USB ", p.USB}, {"serial number ", p.Serial}} {
			if fact.value != "" {
				facts = append(facts, fact.words+fact.value)
			}
		}
		if p.USB == "" {
			facts = append(facts, "not on USB, as far as is known")
		}
		fmt.Fprintf(&text, "%s: %s\n", p.Port, strings.Join(facts, ", "))
		if p.Stable != "" {
			fmt.Fprintf(&text, "  stable name:  %s\n", p.Stable)
		}
		switch {
		case p.Firmware != nil:
			fmt.Fprintf(&text, "  the open board, with firmware %d\n", *p.Firmware)
		case p.Error != "":
			fmt.Fprintf(&text, "  %s\n", strings.ReplaceAll(p.Error, "\n", "\n  "))
		}
	}
	if !asked {
		text.WriteString("\nNone was asked whether it is the open board, since that may start anew what hangs at it:\n" +
			"fettle station list --ask asks each one on USB, and fettle station list PORT that one.\n")
	}
	return text.String()
}
