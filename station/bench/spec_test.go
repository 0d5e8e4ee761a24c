package bench

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/nmra/cv/regtoml"
	"fettle/station"
)

func TestADecoderFileSaysAllOfADecoder(t *testing.T) {
	got, err := ParseDecoder("x.toml", []byte(`
title = "Dredger-spoil engine 21, as bought"
modes = ["direct", "address"]
[registers]
7 = 9
29 = 2
892 = 1
"67-69" = [9, 18]
"257-258@16.0" = [1, 2]
[quirks]
read_only = ["67-68"]
changing = ["892"]
mask = { 29 = 0b0010_0111 }
clamp = { "257-258@16.0" = [0, 180] }
[pace]
packets = 4
resets = 3
[ack]
milliamps = 80.5
milliseconds = 5.5
ragged = 0.25
lost = 0.1
false = 0.03
seed = 7
[rest]
milliamps = 9
inrush_milliamps = 90
inrush_ms = 12
[memory]
write_ms = 2.5
[reset]
power_cycles = 3
[faults]
power_cut_at_write = 3
power_cut_after_ms = 900
removed_after_ms = 400
[vehicle]
top_mm_s = 420
reverse = 0.9
dead_band = 0.05
curve = 1.2
lag_ms = 90
coast_mm_s2 = 350
length_mm = 230
warm = 0.02
scatter_mm = 7
scatter_speed = 0.01
contact_faults = 0.03
seed = 30
[braking]
pattern = "creep"
senses = "vehicle"
deceleration_mm_s2 = 110
creep_mm_s = 25
register = 69
mm_per_unit = 8
resolution = 2
offset_mm = 100
`))
	if err != nil {
		t.Fatal(err)
	}
	page := cv.Page{High: 16}
	want := Spec{
		Title:       "Dredger-spoil engine 21, as bought",
		Modes:       []nmra.Mode{nmra.Direct, nmra.AddressOnly},
		Registers:   cv.Values{at(7): 9, at(29): 2, at(892): 1, at(67): 9, at(68): 18, at(69): 0, {CV: 257, Page: page}: 1, {CV: 258, Page: page}: 2},
		ReadOnly:    map[cv.Register]bool{at(67): true, at(68): true},
		Changing:    map[cv.Register]bool{at(892): true},
		Mask:        map[cv.Register]uint8{at(29): 0b0010_0111},
		Clamp:       map[cv.Register]Range{{CV: 257, Page: page}: {0, 180}, {CV: 258, Page: page}: {0, 180}},
		Pace:        Pace{4, 3},
		Ack:         Ack{80.5, 5500 * time.Microsecond, 0.25, 0.1, 0.03, 7},
		Rest:        Rest{9, 90, 12 * time.Millisecond},
		WriteTime:   2500 * time.Microsecond,
		PowerCycles: 3,
		Faults:      Faults{3, 900 * time.Millisecond, 400 * time.Millisecond},
		Vehicle: Vehicle{Top: 420, Reverse: 0.9, DeadBand: 0.05, Curve: 1.2, Lag: 90 * time.Millisecond, Coast: 350, Length: 230, Warm: 0.02,
			Scatter: Scatter{Stop: 7, Speed: 0.01}, Contact: 0.03, Seed: 30},
		Braking: Braking{Pattern: Creep, Senses: OfVehicle, Deceleration: 110, Speed: 25,
			Distance: Distance{Register: 69, PerUnit: 8, Resolution: 2, Offset: 100}},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
}

func TestABadDecoderFileIsRefusedWithThePlace(t *testing.T) {
	const good = "title = \"x\"\nmodes = [\"direct\"]\n[registers]\n5 = 1\n6 = 2\n"
	if _, err := ParseDecoder("x.toml", []byte(good)); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ file, want string }{
		{"", "x.toml:1:1: "},
		{"title = \"x\"", `"modes"`},
		{strings.Replace(good, "x", "", 1), "x.toml:1:9: found an empty title"},
		{"\xff", "x.toml:1:1: found byte 0xFF"},
		{"title = \"x\"\nmodes = [\"sideways\"]\n[registers]\n", "x.toml:2:9: found \"sideways\", want some of address, direct, paged, register"},
		{good + "7 = 256\n", "x.toml:6:5: "},
		{good + "0 = 1\n", "x.toml:6:1: "},
		{good + "1025 = 1\n", "x.toml:6:1: "},
		{good + "\"29@16.0\" = 1\n", "x.toml:6:1: "},
		{good + "5 = 1\n", "x.toml:6:1: "},
		{good + "[quirk]\n", "x.toml:6:2: found unknown key"},
		{good + "[quirks]\nsticky = 1\n", "x.toml:7:1: found unknown key"},
		{good + "[quirks]\nread_only = [\"9\"]\n", "x.toml:7:13: found register 9, want one that [registers] lists"},
		{good + "[quirks]\nmask = { 9 = 1 }\n", "found register 9, want one that [registers] lists"},
		{good + "[quirks]\nmask = { 5 = 256 }\n", "x.toml:7:14: found 256"},
		{good + "[quirks]\nmask = { \"5-6\" = 1, 6 = 1 }\n", "found register 6 again"},
		{good + "[quirks]\nmask = { five = 1 }\n", "x.toml:7:10: found \"five\""},
		{good + "[quirks]\nclamp = { 5 = [180, 0] }\n", "x.toml:7:15: found [180 0], want the least and the most value"},
		{good + "[quirks]\nclamp = { 5 = [1] }\n", "want the least and the most value"},
		{good + "[ack]\nlost = 1.5\n", "x.toml:7:8: found 1.5"},
		{good + "[ack]\nlost = nan\n", "x.toml:7:8: found nan"},
		{good + "[ack]\nmilliamps = \"much\"\n", "x.toml:7:13: found text"},
		{good + "[pace]\npackets = 1\n", "x.toml:7:11: found 1"},
		{good + "[pace]\nresets = 21\n", "x.toml:7:10: found 21"},
		{good + "[reset]\npower_cycles = -1\n", "x.toml:7:16: found -1"},
		{good + "[faults]\npower_cut_at_write = 0\n", "x.toml:7:22: found 0"},
		{good + "[vehicle]\nreverse = 1\n", `"top_mm_s"`},
		{good + "[vehicle]\ntop_mm_s = 0\n", "x.toml:7:12: found 0"},
		{good + "[vehicle]\ntop_mm_s = 300\ndead_band = 1\n", "x.toml:8:13: found 1"},
		{good + "[braking]\npattern = \"even\"\noffset_mm = 1\n", `"senses"`},
		{good + "[braking]\npattern = \"hard\"\nsenses = \"travel\"\n", "x.toml:7:11: found \"hard\", want one of creep, deceleration, even"},
		{good + "[braking]\npattern = \"none\"\nsenses = \"both\"\n", "x.toml:8:10: found \"both\", want one of either, nothing, travel, vehicle"},
		{good + "[braking]\npattern = \"even\"\nsenses = \"travel\"\n", `"offset_mm"`},
		{good + "[braking]\npattern = \"even\"\nsenses = \"travel\"\nregister = 5\n", `"mm_per_unit"`},
		{good + "[braking]\npattern = \"even\"\nsenses = \"travel\"\nregister = 9\nmm_per_unit = 1\n", "x.toml:9:12: found register 9, want one that"},
		{good + "[braking]\npattern = \"time\"\nsenses = \"travel\"\nseconds = 0\n", "x.toml:9:11: found 0"},
		{good + "[braking]\npattern = \"time\"\nsenses = \"travel\"\nseconds = 4\noffset_mm = 1\n", "x.toml:10:1: found unknown key"},
		{good + strings.Repeat("#", regtoml.MaxBytes), "x.toml:1:1: "},
	} {
		_, err := ParseDecoder("x.toml", []byte(c.file))
		var errs *regtoml.Errors
		if !errors.As(err, &errs) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%.60q: %v; want %q", c.file, err, c.want)
		}
	}
}

func TestEveryBuiltInDecoderIsSoundAndInvented(t *testing.T) {
	for _, name := range Names() {
		spec, err := BuiltIn(name)
		if err != nil {
			t.Errorf("%s: %v", name, err)
		}
		// NMRA S-9.2.2 (July 2012): CV 1, 7, 8 and 29 are mandatory. 13 is the number of home-built decoders (from memory).
		for _, n := range []nmra.CV{1, 7, 29} {
			if _, ok := spec.Registers[at(n)]; !ok {
				t.Errorf("%s: no CV %d", name, n)
			}
		}
		if spec.Registers[at(8)] != 13 {
			t.Errorf("%s: maker %d, want 13", name, spec.Registers[at(8)])
		}
		if span := spec.Clamp[at(1)]; name != "tram-3-short" && span != (Range{1, 127}) {
			t.Errorf("%s: CV 1 can be set to %v, want 1 to 127", name, span)
		}
		for r, span := range spec.Clamp {
			if v := spec.Registers[r]; v < span.Least || v > span.Most {
				t.Errorf("%s: register %v leaves its maker with %d, outside %v", name, r, v, span)
			}
		}
	}
}

func TestTheDecodersForTestsParse(t *testing.T) {
	files, err := filepath.Glob("../../testdata/decoders/*.toml")
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := ParseDecoder(file, data); err != nil {
			t.Error(err)
		}
	}
}

func FuzzParseDecoder(f *testing.F) {
	for _, name := range Names() {
		data, err := builtInFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Add([]byte("title = \"x\"\nmodes = []\n[registers]\n[quirks]\nmask = { \"5-6\" = 1, 6 = 1 }\nclamp = { 5 = [1] }\n[ack]\nlost = nan\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		spec, err := ParseDecoder("x.toml", data)
		if err != nil {
			return
		}
		for r := range spec.Registers {
			if !r.Valid() {
				t.Errorf("register %v does not exist", r)
			}
		}
		if a := spec.Ack; a.Lost < 0 || a.Lost > 1 || a.False < 0 || a.False > 1 || a.Time < 0 || a.Current < 0 || spec.WriteTime < 0 {
			t.Errorf("%+v", spec)
		}
		if spec.Vehicle.Top == 0 {
			return
		}
		d := spec.New(1)
		r := railway{decoder: d, section: danger}
		r.place(station.Front, station.With, 0)
		r.past = -1
		r.powered, r.orders = true, orders{step: 28, top: 28}
		if r.advance(20 * time.Second); math.IsNaN(r.past) || math.IsInf(r.past, 0) || math.IsNaN(r.speed) || r.speed < 0 {
			t.Errorf("after 20 s %v mm past the trigger at %v mm/s", r.past, r.speed)
		}
	})
}
