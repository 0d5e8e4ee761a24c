package bench

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"strings"

	"fettle/nmra/cv"
	"fettle/nmra/cv/regtoml"
	"fettle/station"
)

// stateVersion is the first line of every file here.
const stateVersion = 1

// stateDir is where decoders remember.
func stateDir() (string, error) {
	base := os.Getenv("XDG_STATE_HOME")
	if filepath.IsAbs(base) {
		return filepath.Join(base, "fettle", "bench"), nil
	}
	if runtime.GOOS == "windows" {
		local, err := os.UserCacheDir()
		if err != nil {
			return "", fmt.Errorf("simulated bench: no place to remember in: %w: %w", err, station.ErrStation)
		}
		return filepath.Join(local, "fettle", "bench"), nil
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "", fmt.Errorf("simulated bench: no place to remember in: set XDG_STATE_HOME to the name of a folder: %w", station.ErrStation)
	}
	return filepath.Join(home, ".local", "state", "fettle", "bench"), nil
}

// open takes the decoder as it was left, or out of its box, and holds it against other commands until release.
func (n named) open() (d *Decoder, release func() error, err error) {
	release, err = n.hold()
	if err != nil {
		return nil, nil, err
	}
	// The seed need not vary: the count of power-ons does, from one command to the next.
	d = n.spec.New(0)
	d.save = n.save
	file := n.path + ".toml"
	data, err := os.ReadFile(file)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		err = nil // still in its box
	case err == nil:
		if d.kept, err = parseState(file, data, n.spec.Registers); err != nil {
			err = fmt.Errorf("what %s held is damaged, --fresh takes a new one out of its box:\n%w", inSentence(n.spec.Title), err)
		}
	}
	if err != nil {
		return nil, nil, errors.Join(err, release())
	}
	return d, release, nil
}

// forget removes what the decoder held.
func (n named) forget() error {
	release, err := n.hold()
	if err != nil {
		return err
	}
	if err = os.Remove(n.path + ".toml"); errors.Is(err, fs.ErrNotExist) {
		err = nil
	}
	return errors.Join(err, release())
}

// hold keeps other commands away from the decoder. A command that is killed lets go of it.
func (n named) hold() (release func() error, err error) {
	if err := os.MkdirAll(filepath.Dir(n.path), 0o700); err != nil {
		return nil, fmt.Errorf("simulated bench: %w: %w", err, station.ErrStation)
	}
	f, err := openAlone(n.path + ".lock")
	switch {
	case errors.Is(err, errHeld):
		title := inSentence(n.spec.Title)
		return nil, fmt.Errorf("simulated bench: another command is using %s, wait until it is done: %w", title, station.ErrStation)
	case err != nil:
		return nil, fmt.Errorf("simulated bench: %w: %w", err, station.ErrStation)
	}
	return f.Close, nil
}

// errHeld is what openAlone returns for a file that another process has opened so.
var errHeld = errors.New("held by another process")

// save writes the memory so that a kill at any instant leaves it as it was or as it is to be. It does not wait for the disk: what a
// crash of the whole computer takes from a simulated decoder is no loss.
func (n named) save(k *kept) error {
	var b bytes.Buffer
	k.write(&b, n.spec.Title)
	next := n.path + ".new"
	if err := os.WriteFile(next, b.Bytes(), 0o600); err != nil {
		return err
	}
	return os.Rename(next, n.path+".toml")
}

func (k *kept) write(w io.Writer, title string) {
	fmt.Fprintf(w, "# What the bench decoder %q holds.\nversion = %d\n", title, stateVersion)
	fmt.Fprintf(w, "power_ons = %d\nwrites = %d\n", k.powerOns, k.writes)
	fmt.Fprintf(w, "resetting = %t\npower_cycles_left = %d\n", k.resetting, k.cyclesLeft)
	fmt.Fprintf(w, "power_cut = %t\nremoved = %t\n[registers]\n", k.cut, k.removed)
	for _, run := range cv.Runs(k.values.Registers()) {
		key := fmt.Sprintf("%q", cv.Ranges(run)[0])
		if len(run) == 1 {
			fmt.Fprintf(w, "%s = %d\n", key, k.values[run[0]])
			continue
		}
		values := make([]string, len(run))
		for i, r := range run {
			values[i] = fmt.Sprint(k.values[r])
		}
		fmt.Fprintf(w, "%s = [%s]\n", key, strings.Join(values, ", "))
	}
}

// parseState reads what kept.write wrote. A memory that has not the registers of its decoder is damaged.
func parseState(file string, data []byte, of cv.Values) (kept, error) {
	doc, err := regtoml.Parse(file, data)
	if err != nil {
		return kept{}, err
	}
	root := doc.Root()
	root.Require("version", "power_ons", "writes", "resetting", "power_cycles_left", "power_cut", "removed", "registers")
	var k kept
	root.Int("version", stateVersion, stateVersion)
	powerOns, _ := root.Int("power_ons", 0, math.MaxInt64)
	writes, _ := root.Int("writes", 0, math.MaxInt64)
	left, _ := root.Int("power_cycles_left", 0, 1000)
	k.powerOns, k.writes, k.cyclesLeft = uint64(powerOns), uint64(writes), int(left)
	k.resetting, _ = root.Bool("resetting")
	k.cut, _ = root.Bool("power_cut")
	k.removed, _ = root.Bool("removed")
	var ok bool
	if k.values, ok = root.Values("registers"); ok {
		for r := range of {
			if _, there := k.values[r]; !there {
				root.Errorf("registers", "found no register %v, want all that the decoder has", r)
			}
		}
		for r := range k.values {
			if _, there := of[r]; !there {
				root.Errorf("registers", "found register %v, want only those that the decoder has", r)
			}
		}
	}
	if err := doc.Err(); err != nil {
		return kept{}, err
	}
	return k, nil
}
