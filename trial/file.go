package trial

import (
	"fmt"
	"math"
	"strings"

	"fettle/nmra"
	"fettle/nmra/cv/regtoml"
	"fettle/nmra/wave"
	"fettle/station"
)

// format is the version of trial files; one that does not say has it.
const format = 1

// Ranges of what a file may say, on a layout of any scale (our choice).
const (
	maxLength  station.Millimetres          = 100_000
	maxSpeed   station.MillimetresPerSecond = 5000
	maxRepeats                              = 100 // so that a trial has at most 128 x 2 x 200 runs, fewer than maxRuns
	maxSpeeds                               = 128
	maxScale                                = 1000
)

// asymmetry is what a section has between its half-waves: some 1.5 to 3 V, by silicon diodes in series (common practice, no source).
const asymmetry wave.Volts = 2

// Read reads a trial file. Errors: as [Parse]; those of opening and reading it.
func Read(path string) (Trial, error) {
	data, err := station.ReadFile("trial", path)
	if err != nil {
		return Trial{}, err
	}
	return Parse(path, data)
}

// Parse reads a trial file: file is its name in errors, data what is in it. Where the file does not say, room is the length of the section, both
// leads are tried, one run is made against the section at each lead and speed, the confidence is 0.95, and the share 0.99. Errors:
// *regtoml.Errors, all that is wrong, each with its line and column.
func Parse(file string, data []byte) (Trial, error) {
	doc, err := regtoml.Parse(file, data)
	if err != nil {
		return Trial{}, err
	}
	root := doc.Root()
	root.Int("format", format, format)
	root.Require("title", "vehicle", "runs")
	var t Trial
	t.Title = name(root, "title")
	t.Vehicle = parseVehicle(root)
	braking := root.Has("section") || root.Has("wanted")
	if root.Has("speed") {
		if braking {
			root.Errorf("speed", "found [speed] beside [section] or [wanted], want one of them: a trial is of speed or of braking")
		}
		t.Speed = parseSpeed(root, t.Vehicle.Steps)
	} else {
		if !braking {
			root.Errorf("section", "found neither [section] with [wanted] nor [speed], want one of them: a trial is of braking or of speed")
		} else {
			root.Require("section", "wanted")
		}
	}
	if braking {
		t.Section = parseSection(root)
		t.Wanted = parseWanted(root, t.Vehicle.Steps, t.Section.Room)
	}
	t.Runs = parseRepeats(root, braking)
	if err := doc.Err(); err != nil {
		return Trial{}, err
	}
	return t, nil
}

// name gets a text that is not blank.
func name(t *regtoml.Table, key string) string {
	s, ok := t.String(key)
	if ok && strings.TrimSpace(s) == "" {
		t.Errorf(key, "found no text, want a name in words")
	}
	return s
}

func parseVehicle(root *regtoml.Table) (v Vehicle) {
	v.Steps = nmra.Steps28
	t, ok := root.Table("vehicle")
	if !ok {
		return v
	}
	t.Require("name", "scale")
	v.Name = name(t, "name")
	v.Scale, _ = t.Float("scale", 1, maxScale)
	if n, ok := t.Int("steps", 14, 128); ok {
		if steps := nmra.Steps(n); steps.Top() == 0 {
			t.Errorf("steps", "found %d, want 14, 28 or 128", n)
		} else {
			v.Steps = steps
		}
	}
	if t.Has("address") && t.Has("long_address") {
		t.Errorf("long_address", "found long_address beside address, want one of them")
	}
	if n, ok := t.Int("address", 1, nmra.MaxShort); ok {
		v.Address = nmra.Address{Kind: nmra.Short, Number: uint16(n)}
	}
	if n, ok := t.Int("long_address", 0, nmra.MaxLong); ok {
		v.Address = nmra.Address{Kind: nmra.Long, Number: uint16(n)}
	}
	return v
}

func parseSection(root *regtoml.Table) (s station.Section) {
	s.Asymmetric = asymmetry
	t, ok := root.Table("section")
	if !ok {
		return s
	}
	t.Require("length_mm")
	s.Length = length(t, "length_mm")
	s.Room = s.Length
	if t.Has("room_mm") {
		s.Room = length(t, "room_mm")
	}
	gates, _ := t.Ints("gates_mm", -int64(maxLength), int64(maxLength))
	for i, g := range gates {
		if i > 0 && g <= gates[i-1] {
			t.Errorf("gates_mm", "found %d after %d, want gates in the order in which they are passed, each once", g, gates[i-1])
			break
		}
		s.Gates = append(s.Gates, station.Millimetres(g))
	}
	if word, ok := t.String("more_positive"); ok {
		switch word {
		case "right":
		case "left":
			s.Higher = station.Left
		default:
			t.Errorf("more_positive", "found %q, want \"right\" or \"left\": the rail, seen in the direction of the section", word)
		}
	}
	return s
}

// length gets a length from 1 mm.
func length(t *regtoml.Table, key string) station.Millimetres {
	n, _ := t.Float(key, 1, float64(maxLength))
	return station.Millimetres(n)
}

func parseWanted(root *regtoml.Table, steps nmra.Steps, room station.Millimetres) (w Wanted) {
	w.Confidence, w.Share = 0.95, 0.99
	t, ok := root.Table("wanted")
	if !ok {
		return w
	}
	t.Require("stop_mm", "within_mm")
	w.Stop, w.Within = length(t, "stop_mm"), tolerance(t)
	if room > 0 && w.Stop > room {
		t.Errorf("stop_mm", "found %v, want at most %v: the room of the section", w.Stop, room)
	}
	switch {
	case t.Has("speeds_mm_s") && t.Has("steps"):
		t.Errorf("steps", "found steps beside speeds_mm_s, want one of them")
		t.Ints("steps", 1, int64(steps.Top()))
		t.Ints("speeds_mm_s", 1, int64(maxSpeed))
	case t.Has("steps"):
		w.Steps = parseSteps(t, steps)
	default:
		t.Require("speeds_mm_s")
		speeds := rising(t, "speeds_mm_s", int64(maxSpeed))
		for _, v := range speeds {
			w.Speeds = append(w.Speeds, station.MillimetresPerSecond(v))
		}
	}
	if c, ok := t.Float("confidence", 0.5, 0.999); ok {
		w.Confidence = c
	}
	if s, ok := t.Float("share", 0.5, 0.9999); ok {
		w.Share = s
	}
	return w
}

// tolerance gets within_mm, from 0.1 mm: no one sees less beside the track.
func tolerance(t *regtoml.Table) station.Millimetres {
	n, _ := t.Float("within_mm", 0.1, float64(maxLength))
	return station.Millimetres(n)
}

// parseSteps gets a list of speed steps.
func parseSteps(t *regtoml.Table, of nmra.Steps) (steps []uint8) {
	for _, n := range rising(t, "steps", int64(of.Top())) {
		steps = append(steps, uint8(n))
	}
	return steps
}

// rising gets a list of whole numbers from 1 to most, from the least to the greatest.
func rising(t *regtoml.Table, key string, most int64) []int64 {
	list, ok := t.Ints(key, 1, most)
	if !ok {
		return nil
	}
	if len(list) == 0 || len(list) > maxSpeeds {
		t.Errorf(key, "found a list of %d, want 1 to %d numbers", len(list), maxSpeeds)
		return nil
	}
	for i := 1; i < len(list); i++ {
		if list[i] <= list[i-1] {
			t.Errorf(key, "found %d after %d, want them from the slowest to the fastest, each once", list[i], list[i-1])
			return nil
		}
	}
	return list
}

func parseSpeed(root *regtoml.Table, of nmra.Steps) (s SpeedTrial) {
	t, ok := root.Table("speed")
	if !ok {
		return s
	}
	t.Require("steps")
	s.Steps = parseSteps(t, of)
	switch {
	case t.Has("between_mm") == t.Has("lap_mm"):
		t.Errorf("between_mm", "found %s, want one of them: the distance between two gates, or the length of a lap timed by hand",
			map[bool]string{true: "between_mm and lap_mm", false: "neither between_mm nor lap_mm"}[t.Has("lap_mm")])
		t.Float("between_mm", 1, float64(maxLength))
		t.Float("lap_mm", 1, float64(maxLength))
	case t.Has("lap_mm"):
		s.Lap = length(t, "lap_mm")
	default:
		s.Between = length(t, "between_mm")
	}
	return s
}

// parseRepeats reads [runs]; that of a trial of speed says nothing of runs against a section.
func parseRepeats(root *regtoml.Table, braking bool) (r Runs) {
	r.Leads = []station.Lead{station.Front, station.Rear}
	t, ok := root.Table("runs")
	if !ok {
		return r
	}
	t.Require("repeats")
	repeats, _ := t.Int("repeats", 1, maxRepeats)
	r.Repeats = int(repeats)
	if words, ok := t.Strings("leads"); ok {
		leads, err := parseLeads(words)
		if err != nil {
			t.Errorf("leads", "%v", err)
		}
		r.Leads = leads
	}
	if braking {
		r.Against = 1
		if n, ok := t.Int("against", 0, maxRepeats); ok {
			r.Against = int(n)
		}
	}
	seed, _ := t.Int("seed", 0, math.MaxInt64)
	r.Seed = uint64(seed)
	return r
}

func parseLeads(words []string) (leads []station.Lead, err error) {
	for _, word := range words {
		switch {
		case word == station.Front.String():
			leads = append(leads, station.Front)
		case word == station.Rear.String():
			leads = append(leads, station.Rear)
		default:
			return nil, fmt.Errorf("found %q, want \"front\", \"rear\" or both", word)
		}
	}
	if n := len(leads); n == 0 || n > 2 || n == 2 && leads[0] == leads[1] {
		return nil, fmt.Errorf("found a list of %d, want \"front\", \"rear\" or both, each once", n)
	}
	return leads, nil
}
