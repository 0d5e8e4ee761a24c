package port

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"go.bug.st/serial"

	"fettle/station"
)

// Info is what the operating system knows of a port. What it does not know is empty.
type Info struct {
	Name    string // by which it is opened now: "/dev/ttyUSB0"
	Stable  string // a name that it has whatever else is plugged in, and wherever: "/dev/serial/by-id/usb-..."
	USB     bool   // it is reached over USB, and has the rest
	Vendor  uint16
	Product uint16
	Text    string // what the device calls itself
	Serial  string // its serial number
}

// same says whether two ports are one device: it has the same identity, wherever it is plugged in. Devices without a serial number are
// told apart by nothing but their kind.
func (i Info) same(other Info) bool {
	if !i.USB {
		return !other.USB && i.Name == other.Name
	}
	return other.USB && i.Vendor == other.Vendor && i.Product == other.Product && i.Serial == other.Serial
}

// details is what the library knows of a port.
type details struct {
	name            string
	usb             bool
	vendor, product string // in hexadecimal
	text, serial    string
}

// List gives the ports of this computer, in order of their names. It opens none that is on USB, so it starts no board anew.
func List() ([]Info, error) {
	names, err := serial.GetPortsList()
	if err != nil {
		return nil, fmt.Errorf("listing the serial ports: %w", err)
	}
	known, err := enumerate()
	if err != nil {
		return nil, fmt.Errorf("listing the serial ports: %w", err)
	}
	return listed(names, known, stableNames(byID)), nil
}

// byID is where Linux keeps names of serial ports that are made from what the devices say of themselves.
const byID = "/dev/serial/by-id"

// stableNames gives, for the name of each port, the one that a folder of links has for it.
func stableNames(folder string) map[string]string {
	links, _ := filepath.Glob(filepath.Join(folder, "*")) // where there is no such folder there are no such names
	stable := map[string]string{}
	for _, link := range links {
		if name, err := filepath.EvalSymlinks(link); err == nil {
			stable[name] = link
		}
	}
	return stable
}

// listed puts together what is known of each port.
func listed(names []string, known []details, stable map[string]string) []Info {
	ports := map[string]Info{}
	for _, name := range names {
		ports[name] = Info{Name: name}
	}
	for _, d := range known {
		if d.name != "" { // of some it knows nothing
			ports[d.name] = d.info()
		}
	}
	var list []Info
	for name, p := range ports {
		// Each port has two names where one waits for a modem that has called: the other one is meant.
		if rest, ok := strings.CutPrefix(name, "/dev/tty."); ok {
			if _, twice := ports["/dev/cu."+rest]; twice {
				continue
			}
		}
		p.Stable = stable[name]
		list = append(list, p)
	}
	slices.SortFunc(list, func(a, b Info) int { return naturally(a.Name, b.Name) })
	return list
}

// naturally puts ttyUSB2 before ttyUSB10.
func naturally(a, b string) int {
	digits := func(s string) (string, int) {
		stem := strings.TrimRight(s, "0123456789")
		n, _ := strconv.Atoi(s[len(stem):])
		return stem, n
	}
	stemA, numberA := digits(a)
	stemB, numberB := digits(b)
	if stemA == stemB && numberA != numberB {
		return numberA - numberB
	}
	return strings.Compare(a, b)
}

// info takes over what a device says of itself, which may be anything.
func (d details) info() Info {
	p := Info{Name: d.name}
	vendor, vendorErr := strconv.ParseUint(d.vendor, 16, 16)
	product, productErr := strconv.ParseUint(d.product, 16, 16)
	if !d.usb || vendorErr != nil || productErr != nil {
		return p
	}
	p.USB, p.Vendor, p.Product = true, uint16(vendor), uint16(product)
	p.Text, p.Serial = plain(d.text), plain(d.serial)
	return p
}

// longestText is how much of a text is taken over: USB has no longer ones.
const longestText = 126

// plain is a text without anything that would move a terminal's cursor, colour it, or write from right to left.
func plain(text string) string {
	var out []rune
	for _, r := range text {
		if len(out) == longestText {
			break
		}
		if !unicode.IsPrint(r) || r == unicode.ReplacementChar {
			r = '?'
		}
		out = append(out, r)
	}
	return strings.TrimSpace(string(out))
}

// Find says what is known of a port that someone has named, by any of its names. Of one that is not listed, as a pseudo-terminal, it
// knows the name alone.
func Find(name string) (Info, error) {
	ports, err := List()
	if err != nil {
		return Info{}, err
	}
	return find(ports, name), nil
}

func find(ports []Info, name string) Info {
	real, err := filepath.EvalSymlinks(name)
	if err != nil {
		real = name
	}
	for _, p := range ports {
		if p.Name == name || p.Name == real {
			return p
		}
	}
	return Info{Name: name}
}

// How long and how often a port that is gone is looked for. A board that starts anew with its own USB takes a second or two; the rest is
// for a person who puts a cable back.
const (
	lookFor   = 10 * time.Second
	lookEvery = 100 * time.Millisecond
)

// Again waits until a port is there that may have been gone, and gives what is known of it now: its name may be another one. A USB port
// is known by its ids and its serial number; any other one by its name. Errors: [station.ErrLost] where it has not come back within some
// seconds, or where several could be it; the context's.
func Again(ctx context.Context, was Info) (Info, error) {
	return again(ctx, was, List, there, lookFor)
}

// there says whether a name is in use.
func there(name string) bool {
	_, err := os.Stat(name)
	return err == nil
}

func again(ctx context.Context, was Info, list func() ([]Info, error), there func(name string) bool, patience time.Duration) (Info, error) {
	until := time.Now().Add(patience)
	for {
		ports, err := list()
		var found []Info
		for _, p := range ports {
			if was.same(p) {
				found = append(found, p)
			}
		}
		if at := slices.IndexFunc(found, func(p Info) bool { return p.Name == was.Name }); at >= 0 {
			return found[at], nil
		}
		switch {
		case len(found) == 1:
			return found[0], nil
		case len(found) > 1:
			return Info{}, fmt.Errorf("the port %s is gone, and %s and %s could both be it, which have no serial numbers to tell them apart: "+
				"name the one that is meant: %w", was.Name, found[0].Name, found[1].Name, station.ErrLost)
		case !was.USB && there(was.Name):
			return was, nil
		case time.Now().After(until) && err != nil: // else it may be of a device that went while it was looked at
			return Info{}, err
		case time.Now().After(until):
			return Info{}, fmt.Errorf("the port %s is gone, and has not come back within %v: see that its cable is in: %w",
				was.Name, patience, station.ErrLost)
		}
		select {
		case <-ctx.Done():
			return Info{}, ctx.Err()
		case <-time.After(lookEvery):
		}
	}
}
