package bench

import (
	"embed"
	"fmt"
	"io/fs"
	"maps"
	"slices"
	"strings"
	"time"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/nmra/cv/regtoml"
	"fettle/station"
)

// Spec says what a decoder is like when it leaves its box: what a decoder file says. The zero Spec is a decoder that does nothing.
type Spec struct {
	Title       string
	Modes       []nmra.Mode
	Registers   cv.Values // after a factory reset; what is not in it is absent
	ReadOnly    map[cv.Register]bool
	Changing    map[cv.Register]bool
	Mask        map[cv.Register]uint8 // the bits that can be set
	Clamp       map[cv.Register]Range
	Pace        Pace
	Ack         Ack
	Rest        Rest
	WriteTime   time.Duration
	PowerCycles int // that a factory reset takes
	Faults      Faults
	Vehicle     Vehicle
	Braking     Braking
}

// Range is the values from Least to Most.
type Range struct{ Least, Most uint8 }

// Pace is how much a decoder needs to keep up in service mode. The zero Pace is that of S-9.2.3.
type Pace struct {
	Packets int // identical ones in a row, before it does what they say; less than 2 is 2
	Resets  int // in a row, before it takes in anything else
}

// Ack is how a decoder acknowledges, and how well the track carries it.
type Ack struct {
	Current station.Milliamps // above rest
	Time    time.Duration
	Ragged  float64 // part of Time without contact, 0 to 0.4
	Lost    float64 // chance that an acknowledgement is not seen
	False   float64 // chance that one is seen where there was none
	Seed    uint64
}

// Rest is what a decoder draws with its outputs off.
type Rest struct {
	Current    station.Milliamps
	Inrush     station.Milliamps // instead, while the power comes on
	InrushTime time.Duration
}

// Faults happen once each. Zero: never.
type Faults struct {
	PowerCutAtWrite int           // which write of a register, from 1
	PowerCutAfter   time.Duration // by the clock of the bench
	RemovedAfter    time.Duration // likewise
}

//go:embed decoders/*.toml
var builtIn embed.FS

// Names are the decoders that are built in, in order.
func Names() []string {
	files, _ := fs.Glob(builtIn, "decoders/*.toml")
	for i, f := range files {
		files[i] = strings.TrimSuffix(strings.TrimPrefix(f, "decoders/"), ".toml")
	}
	slices.Sort(files)
	return files
}

// BuiltIn gives one of the decoders of [Names].
func BuiltIn(name string) (Spec, error) {
	data, err := builtInFile(name)
	if err != nil {
		return Spec{}, err
	}
	return ParseDecoder(name+".toml", data)
}

func builtInFile(name string) ([]byte, error) {
	if !slices.Contains(Names(), name) {
		return nil, fmt.Errorf("bench decoder %q: want one of %s, nothing, or a file that ends in .toml", name, strings.Join(Names(), ", "))
	}
	return builtIn.ReadFile("decoders/" + name + ".toml")
}

// ParseDecoder reads a decoder file, as the package comment describes it. file is its name in errors, which are *[regtoml.Errors].
func ParseDecoder(file string, data []byte) (Spec, error) {
	doc, err := regtoml.Parse(file, data)
	if err != nil {
		return Spec{}, err
	}
	root := doc.Root()
	root.Require("title", "modes", "registers")
	s := Spec{
		Ack:         Ack{Current: 80, Time: 6 * time.Millisecond, Seed: 1},
		Rest:        Rest{Current: 8},
		WriteTime:   4 * time.Millisecond,
		PowerCycles: 1,
	}
	if title, ok := root.String("title"); ok && title == "" {
		root.Errorf("title", "found an empty title, want what stands on the track")
	} else {
		s.Title = title
	}
	s.Registers, _ = root.ValuesShort("registers")
	s.modes(root)
	if t, ok := root.Table("quirks"); ok {
		s.quirks(t)
	}
	if t, ok := root.Table("pace"); ok {
		whole(t, "packets", 2, 20, &s.Pace.Packets)
		whole(t, "resets", 0, 20, &s.Pace.Resets)
	}
	if t, ok := root.Table("ack"); ok {
		s.ack(t)
	}
	if t, ok := root.Table("rest"); ok {
		milliamps(t, "milliamps", &s.Rest.Current)
		s.Rest.Inrush = s.Rest.Current
		milliamps(t, "inrush_milliamps", &s.Rest.Inrush)
		milliseconds(t, "inrush_ms", 1000, &s.Rest.InrushTime)
	}
	if t, ok := root.Table("memory"); ok {
		milliseconds(t, "write_ms", 1000, &s.WriteTime)
	}
	if t, ok := root.Table("reset"); ok {
		whole(t, "power_cycles", 0, 20, &s.PowerCycles)
	}
	if t, ok := root.Table("faults"); ok {
		const day = 24 * 60 * 60 * 1000
		whole(t, "power_cut_at_write", 1, 1<<30, &s.Faults.PowerCutAtWrite)
		milliseconds(t, "power_cut_after_ms", day, &s.Faults.PowerCutAfter)
		milliseconds(t, "removed_after_ms", day, &s.Faults.RemovedAfter)
	}
	if t, ok := root.Table("vehicle"); ok {
		s.Vehicle.parse(t)
	}
	if t, ok := root.Table("braking"); ok {
		s.braking(t)
	}
	if err := doc.Err(); err != nil {
		return Spec{}, err
	}
	return s, nil
}

// modeNames are the names of the modes in a decoder file.
var modeNames = map[string]nmra.Mode{"direct": nmra.Direct, "paged": nmra.Paged, "register": nmra.Registers, "address": nmra.AddressOnly}

func (s *Spec) modes(root *regtoml.Table) {
	names, _ := root.Strings("modes")
	for _, name := range names {
		mode, ok := modeNames[name]
		if !ok {
			root.Errorf("modes", "found %q, want some of %s", name, strings.Join(slices.Sorted(maps.Keys(modeNames)), ", "))
		}
		s.Modes = append(s.Modes, mode)
	}
}

func (s *Spec) quirks(t *regtoml.Table) {
	s.ReadOnly = s.marked(t, "read_only")
	s.Changing = s.marked(t, "changing")
	if mask, ok := t.Table("mask"); ok {
		s.Mask = map[cv.Register]uint8{}
		for name, rs := range s.keyed(mask) {
			bits, _ := mask.Int(name, 0, 255)
			for _, r := range rs {
				s.Mask[r] = uint8(bits)
			}
		}
	}
	if clamp, ok := t.Table("clamp"); ok {
		s.Clamp = map[cv.Register]Range{}
		for name, rs := range s.keyed(clamp) {
			ends, ok := clamp.Ints(name, 0, 255)
			if ok && (len(ends) != 2 || ends[0] > ends[1]) {
				clamp.Errorf(name, "found %v, want the least and the most value, as [0, 180]", ends)
				ok = false
			}
			for _, r := range rs {
				if ok {
					s.Clamp[r] = Range{uint8(ends[0]), uint8(ends[1])}
				}
			}
		}
	}
}

// marked gets a set of registers, all of which the decoder must have.
func (s *Spec) marked(t *regtoml.Table, key string) map[cv.Register]bool {
	rs, _ := t.RegisterRanges(key)
	set := make(map[cv.Register]bool, len(rs))
	for _, r := range rs {
		s.have(t, key, r)
		set[r] = true
	}
	return set
}

// keyed gives the keys of a table and the registers that each names, all of which the decoder must have.
func (s *Spec) keyed(t *regtoml.Table) map[string][]cv.Register {
	named := map[string][]cv.Register{}
	seen := map[cv.Register]bool{}
	for _, k := range t.Keys() {
		rs, err := cv.ParseRange(k.Name)
		if err != nil {
			t.KeyErrorf(k, "%v", err)
		}
		for _, r := range rs {
			s.have(t, k.Name, r)
			if seen[r] {
				t.KeyErrorf(k, "found register %v again, want each register once", r)
			}
			seen[r] = true
		}
		named[k.Name] = rs
	}
	return named
}

func (s *Spec) have(t *regtoml.Table, key string, r cv.Register) {
	if _, ok := s.Registers[r]; !ok {
		t.Errorf(key, "found register %v, want one that [registers] lists", r)
	}
}

func (s *Spec) ack(t *regtoml.Table) {
	milliamps(t, "milliamps", &s.Ack.Current)
	milliseconds(t, "milliseconds", 1000, &s.Ack.Time)
	s.Ack.Ragged, _ = t.Float("ragged", 0, 0.4)
	s.Ack.Lost, _ = t.Float("lost", 0, 1)
	s.Ack.False, _ = t.Float("false", 0, 1)
	if seed, ok := t.Int("seed", 0, 1<<53); ok {
		s.Ack.Seed = uint64(seed)
	}
}

func milliamps(t *regtoml.Table, key string, to *station.Milliamps) {
	if n, ok := t.Float(key, 0, 5000); ok {
		*to = station.Milliamps(n)
	}
}

func milliseconds(t *regtoml.Table, key string, most float64, to *time.Duration) {
	if n, ok := t.Float(key, 0, most); ok {
		*to = time.Duration(n * float64(time.Millisecond))
	}
}

func whole(t *regtoml.Table, key string, least, most int64, to *int) {
	if n, ok := t.Int(key, least, most); ok {
		*to = int(n)
	}
}
