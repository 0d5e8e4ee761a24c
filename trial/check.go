package trial

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"fettle/station"
)

// Ranges of what a run may say (our choice): the least keeps a number that is written short.
const (
	leastNumber = 0.001 // mm, mm/s
	maxSeconds  = 3600
	maxNumber   = 1_000_000 // of a run
	maxNote     = 1000      // bytes
	maxGates    = 64
)

var outcomes = []string{Stopped.String(), Overran.String(), Slowed.String(), Ignored.String()}

// run checks a row; zeroTime says that its stop_s is 0.
func (s *sheet) run(line int) (r Run, zeroTime bool) {
	t := s.trial
	r.Number = s.ownNumber(line)
	if s.word("lead", []string{"front", "rear"}) == 1 {
		r.Lead = station.Rear
	}
	if cell, _ := s.cell("lead"); len(t.Runs.Leads) > 0 && (cell == "front" || cell == "rear") && !slices.Contains(t.Runs.Leads, r.Lead) {
		s.bad("lead", cell, "%s, the leads of the trial", planned(t.Runs.Leads))
	}
	if cell, _ := s.cell("way"); cell != "" || !t.ofSpeed() {
		if s.word("way", []string{"with", "against"}) == 1 {
			r.Way = station.Against
			if t.ofSpeed() {
				s.bad("way", cell, "with, or an empty cell: a trial of speed has no section")
			}
		}
	}
	step, _ := s.whole("step", 1, int(t.Vehicle.Steps.Top()))
	r.Step = uint8(step)
	if v, ok := s.number("speed_mm_s", "mm/s", leastNumber, float64(maxSpeed)); ok {
		r.Speed = station.MillimetresPerSecond(v)
	}
	if t.ofSpeed() {
		s.speed(&r)
	} else {
		zeroTime = s.outcome(&r)
	}
	s.gates(&r)
	note, i := s.cell("note")
	if len(note) > maxNote || !printable(note) {
		s.note(i, "note: found %s, want a line of text of at most %d bytes", quoted(note), maxNote)
	}
	r.Note = note
	return r, zeroTime
}

// ownNumber gets the number of a run, which no other has.
func (s *sheet) ownNumber(line int) int {
	cell, _ := s.cell("run")
	if cell == "" {
		s.bad("run", "an empty cell", "the number of the run")
		return 0
	}
	n, ok := s.whole("run", 1, maxNumber)
	if !ok {
		return 0
	}
	if first, twice := s.seen[n]; twice {
		s.bad("run", cell, "each number once; the first is on line %d", first)
	} else {
		s.seen[n] = line
	}
	return n
}

// speed checks what only a run of a trial of speed has, and has not.
func (s *sheet) speed(r *Run) {
	if r.Step == 0 {
		if cell, _ := s.cell("step"); cell == "" {
			s.bad("step", "an empty cell", "the step at which it ran")
		}
	} else if !slices.Contains(s.trial.Speed.Steps, r.Step) {
		s.bad("step", strconv.Itoa(int(r.Step)), "a step of the trial")
	}
	for _, column := range []string{"outcome", "stop_mm", "stop_s"} {
		if cell, _ := s.cell(column); cell != "" {
			s.bad(column, quoted(cell), "an empty cell: a trial of speed has no section to stop in")
		}
	}
	r.Made = r.Speed > 0
}

// outcome checks what became of a run, and where and when it stopped.
func (s *sheet) outcome(r *Run) (zeroTime bool) {
	stop, _ := s.cell("stop_mm")
	time, _ := s.cell("stop_s")
	outcome, _ := s.cell("outcome")
	if outcome == "" {
		if stop != "" {
			s.bad("stop_mm", quoted(stop), "an empty cell, or an outcome: the run has none")
		}
		if time != "" {
			s.bad("stop_s", quoted(time), "an empty cell, or an outcome: the run has none")
		}
		return false
	}
	n := s.word("outcome", outcomes)
	if n < 0 {
		return false
	}
	r.Outcome, r.Made = Outcome(n), true
	switch {
	case r.Outcome == Stopped && stop == "":
		s.bad("stop_mm", "an empty cell", "how far past the trigger it stopped, in mm")
	case r.Outcome != Stopped && stop != "":
		s.bad("stop_mm", quoted(stop), "an empty cell: the outcome is %s, and only a run that stopped has a stop", outcome)
	case stop != "":
		if v, ok := s.number("stop_mm", "mm", leastNumber, float64(maxLength)); ok {
			r.Stop = station.Millimetres(v)
			if room := s.trial.room(); r.Way == station.With && room > 0 && r.Stop > room {
				s.bad("stop_mm", stop, "at most %s mm, the room; a run that passed it has the outcome overran, and no stop", number(float64(room)))
			}
		}
	}
	if time != "" && r.Outcome != Stopped && r.Outcome != Overran {
		s.bad("stop_s", quoted(time), "an empty cell: the outcome is %s, so that it never stood", outcome)
	} else if v, ok := s.number("stop_s", "s", 0, maxSeconds); ok {
		r.Time = seconds(v)
		zeroTime = r.Time == 0
	}
	return zeroTime
}

// gates checks when a run passed the gates.
func (s *sheet) gates(r *Run) {
	cell, _ := s.cell("gates")
	if cell == "" {
		return
	}
	if !r.Made {
		s.bad("gates", quoted(cell), "an empty cell: the run is not made")
		return
	}
	fields := strings.Fields(cell)
	if len(fields) > maxGates {
		s.bad("gates", fmt.Sprintf("%d of them", len(fields)), "at most %d", maxGates)
		return
	}
	for _, field := range fields {
		place, when, ok := strings.Cut(field, ":")
		if !ok {
			s.bad("gates", quoted(field), "millimetres past the trigger and seconds from it, as 300:1.31 900:4.02")
			return
		}
		at, ok1 := s.parse("gates", place, "mm", -float64(maxLength), float64(maxLength))
		after, ok2 := s.parse("gates", when, "s", -maxSeconds, maxSeconds)
		if !ok1 || !ok2 {
			return
		}
		p := Passing{At: station.Millimetres(at), Time: seconds(after)}
		if p.At == 0 {
			p.At = 0 // not -0
		}
		if stand := s.trial.Section.Gates; len(stand) > 0 && !slices.Contains(stand, p.At) {
			s.bad("gates", quoted(field), "one of the gates of the trial, in mm: %s", strings.Trim(fmt.Sprint([]station.Millimetres(stand)), "[]"))
			return
		}
		if n := len(r.Gates); n > 0 && (p.Time <= r.Gates[n-1].Time || p.At <= r.Gates[n-1].At && r.Way == station.With) {
			s.bad("gates", quoted(field), "gates in the order in which they were passed")
			return
		}
		if r.Way == station.With && (p.At < 0 && p.Time >= 0 || p.At > 0 && p.Time <= 0) {
			s.bad("gates", quoted(field), "a time that is negative before the trigger, and positive past it")
			return
		}
		r.Gates = append(r.Gates, p)
	}
}

// word gets which of our words a cell is, -1 where it is none.
func (s *sheet) word(column string, words []string) int {
	cell, _ := s.cell(column)
	n := slices.Index(words, cell)
	if n < 0 {
		found := quoted(cell)
		if cell == "" {
			found = "an empty cell"
		}
		s.bad(column, found, "%s", closest(cell, words))
	}
	return n
}

// whole gets a whole number; 0, false where the cell is empty, or wrong, which is noted.
func (s *sheet) whole(column string, low, high int) (int, bool) {
	cell, _ := s.cell(column)
	if cell == "" {
		return 0, false
	}
	n, err := strconv.Atoi(cell)
	if err != nil || n < low || n > high {
		s.bad(column, quoted(cell), "a whole number from %d to %d", low, high)
		return 0, false
	}
	return n, true
}

// number gets a number; 0, false where the cell is empty, or wrong, which is noted.
func (s *sheet) number(column, unit string, low, high float64) (float64, bool) {
	cell, _ := s.cell(column)
	if cell == "" {
		return 0, false
	}
	return s.parse(column, cell, unit, low, high)
}

var (
	plain    = regexp.MustCompile(`^[+-]?\d{1,20}([.,]\d{1,20})?$`)
	withUnit = regexp.MustCompile(`^([+-]?\d+([.,]\d+)?)\s*([^\d\s.,+-].*)$`)
	thousand = regexp.MustCompile(`^[+-]?[1-9]\d{0,2},\d{3}$`)
)

// parse reads a number with a decimal point or a decimal comma, of which a file has one.
func (s *sheet) parse(column, text, unit string, low, high float64) (float64, bool) {
	if m := withUnit.FindStringSubmatch(text); m != nil {
		s.bad(column, quoted(text), "the number alone, in %s: the column says the unit", unit)
		return 0, false
	}
	comma, point := strings.Contains(text, ","), strings.Contains(text, ".")
	switch {
	case !plain.MatchString(text):
		s.bad(column, quoted(text), "a number of %s, as 1400 or 1400.5", unit)
		return 0, false
	case comma && s.comma && thousand.MatchString(text):
		s.bad(column, quoted(text), "%s, or %s with a point if it is that: the comma may be either", strings.Replace(text, ",", "", 1), strings.Replace(text, ",", ".", 1))
		return 0, false
	case comma && s.points:
		s.bad(column, quoted(text), "a decimal point, as in the lines before")
		return 0, false
	case point && s.commas:
		s.bad(column, quoted(text), "a decimal comma, as in the lines before, and nothing between thousands")
		return 0, false
	}
	s.points, s.commas = s.points || point, s.commas || comma
	v, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
	if err != nil || !(v >= low && v <= high) {
		s.bad(column, quoted(text), "%s to %s %s", number(low), number(high), unit)
		return 0, false
	}
	return v, true
}

// Doubt is something that may be right and seldom is, for a person to look at.
type Doubt struct {
	Line  int // of the file of runs; 0 where it is of all of them, or of the trial
	Run   int // its number; likewise
	Words string
}

// String is the words, with the line and the run that they are of.
func (d Doubt) String() string {
	if d.Line == 0 {
		return d.Words
	}
	return fmt.Sprintf("line %d, run %d: %s", d.Line, d.Run, d.Words)
}

// Doubts is what a trial of braking cannot show as it is planned: for a law of braking it needs three speeds, for the scatter repeats,
// for what the decoder senses both leads and runs against the section. Of a trial of speed there are none.
func (t Trial) Doubts() []Doubt {
	if t.ofSpeed() {
		return nil
	}
	var d []Doubt
	ask := func(format string, args ...any) { d = append(d, Doubt{Words: fmt.Sprintf(format, args...)}) }
	if n := max(len(t.Wanted.Speeds), len(t.Wanted.Steps)); n < 3 {
		ask("it has %s: at least 3 are needed to tell how the stop depends on speed", counted(n, "entry speed"))
	}
	if t.Runs.Repeats < 2 {
		ask("no run is repeated: how far stops scatter will not be known")
	}
	if len(t.Runs.Leads) < 2 {
		ask("only the %s leads: which side the decoder senses takes both leads", planned(t.Runs.Leads))
	}
	if t.Runs.Against == 0 {
		ask("no run is against the section: whether it runs on there will not be known")
	}
	return d
}

// maxDoubts is how many doubts of one file are listed.
const maxDoubts = 20

// fastest is what no vehicle does, to scale, in km/h (common practice, no source).
const fastest = 400

// doubts looks for units mixed up, and for what cannot well be so. What it calls too far off is common practice, no source.
func doubts(t Trial, runs []Run, noTime []bool) []Doubt {
	list := speedUnits(t, runs)
	wrongUnits := len(list) > 0
	all := 0
	for i, r := range runs {
		ask := func(format string, args ...any) {
			if all++; all <= maxDoubts {
				list = append(list, Doubt{r.Line, r.Number, fmt.Sprintf(format, args...)})
			}
		}
		if !r.Made {
			continue
		}
		if v := float64(r.Speed) * kmh(t.Vehicle.Scale); v > fastest && !wrongUnits {
			ask("speed_mm_s is %s: that is %.0f km/h at 1:%s; is it in mm/s?", number(float64(r.Speed)), v, number(t.Vehicle.Scale))
		}
		if t.ofSpeed() {
			continue
		}
		if r.Speed == 0 && r.Step == 0 {
			ask("neither speed_mm_s nor step is known: what can be said of how the stop depends on speed?")
		}
		if noTime[i] {
			ask("stop_s is 0: nothing stops in no time; an empty cell says that it was not taken")
		}
		if r.Outcome != Stopped {
			continue
		}
		if r.Way == station.With {
			for _, u := range []struct {
				name string
				mm   station.Millimetres
			}{{"metres", 1000}, {"centimetres", 10}} {
				if target := t.Wanted.Stop; r.Stop*50 < target && u.mm == 1000 ||
					u.mm == 10 && r.Stop*5 < target && math.Abs(float64(r.Stop*u.mm-target)) <= float64(max(2*t.Wanted.Within, target/10)) {
					ask("stop_mm is %s where %s is wanted: is it in %s?", number(float64(r.Stop)), number(float64(target)), u.name)
					break
				}
			}
		}
		if r.Speed == 0 || r.Time == 0 || wrongUnits {
			continue
		}
		switch shortest := float64(r.Stop) / float64(r.Speed); {
		case r.Time.Seconds() < 0.9*shortest:
			ask("stop_s is %s: at %s mm/s it needs at least %.1f s for %s mm",
				number(r.Time.Seconds()), number(float64(r.Speed)), shortest, number(float64(r.Stop)))
		case r.Time.Seconds() > 20 && r.Time.Seconds() > 50*shortest:
			ask("stop_s is %s, and at its speed it would be there in %.1f s: is it in seconds?", number(r.Time.Seconds()), shortest)
		}
	}
	if all > maxDoubts {
		list = append(list, Doubt{Words: fmt.Sprintf("and %d more such", all-maxDoubts)})
	}
	return list
}

// speedUnits looks whether the speeds as a whole are in another unit: they are the wanted ones in that, and not in mm/s. Where none are
// wanted, all below 5 are taken for m/s.
func speedUnits(t Trial, runs []Run) []Doubt {
	var speeds []float64
	for _, r := range runs {
		if r.Made && r.Speed > 0 {
			speeds = append(speeds, float64(r.Speed))
		}
	}
	if len(speeds) == 0 {
		return nil
	}
	agree := func(factor float64) bool {
		off := 0
		for _, v := range speeds {
			if !slices.ContainsFunc(t.Wanted.Speeds, func(w station.MillimetresPerSecond) bool {
				return math.Abs(v*factor-float64(w)) <= near*float64(w)
			}) {
				off++
			}
		}
		return off*10 <= len(speeds)
	}
	slowest, quickest := slices.Min(speeds), slices.Max(speeds)
	these := fmt.Sprintf("the speeds are %s to %s", number(slowest), number(quickest))
	if len(t.Wanted.Speeds) > 0 && !agree(1) {
		for _, u := range []struct {
			name   string
			factor float64
		}{{"m/s", 1000}, {"cm/s", 10}, {"km/h to scale", 1 / kmh(t.Vehicle.Scale)}, {"miles/h to scale", 1.609344 / kmh(t.Vehicle.Scale)}} {
			if agree(u.factor) {
				return []Doubt{{Words: fmt.Sprintf("%s, which are the wanted ones in %s: are they in mm/s?", these, u.name)}}
			}
		}
	}
	if quickest < 5 {
		return []Doubt{{Words: these + ": no vehicle is so slow in all its runs; are they in m/s, and not in mm/s?"}}
	}
	return nil
}
