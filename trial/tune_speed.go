package trial

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/station"
	"fettle/trial/stat"
)

// SpeedPoint is a wanted speed at a step, of 28; between points it goes as a straight line, and from 0 at step 0.
type SpeedPoint struct {
	Step  uint8
	Speed station.MillimetresPerSecond
}

// SpeedTuning is a speed table, or CV 2, 5 and 6, that gives the speeds wanted.
type SpeedTuning struct {
	Tuning
	Table bool // CV 66 to 95, and not 2, 5 and 6
	Steps []TunedSpeed
	Worst TunedSpeed // of Steps, the one that is farthest off
}

// TunedSpeed is what is predicted at one of the 28 steps, either end leading.
type TunedSpeed struct {
	Step                uint8
	Wanted, Front, Rear station.MillimetresPerSecond // Front or Rear is 0 where none was measured
}

// Off is how far it is from what is wanted, either end leading.
func (s TunedSpeed) Off() (off station.MillimetresPerSecond) {
	for _, v := range []station.MillimetresPerSecond{s.Front, s.Rear} {
		if v > 0 {
			off = max(off, station.MillimetresPerSecond(math.Abs(float64(v-s.Wanted))))
		}
	}
	return off
}

// Errors of TuneSpeed and TuneMomentum.
var (
	ErrNoSpeeds = errors.New("want speeds measured at two steps or more")
	ErrNotHeld  = errors.New("want what CV 29, and 67 to 94 or 2, 5 and 6, held when the speeds were measured")
	ErrPoints   = errors.New("want steps from 1 to 28 that rise, with speeds above 0 that don't fall")
)

// TuneSpeed finds the speed table that gives the wanted speeds, from the runs of a trial of speed and what the registers held when they were made:
// each way the speed against the drive level by monotone interpolation, read backwards. Where held has no table, it is CV 2, 5 and 6. With no
// points, speed is to be proportional to the step, up to the top speed of the slower way. What wants more than the fastest measured is cut to
// it. It is Reachable where nothing was cut and each step is predicted to be nearer to its own speed than half a step of an even table.
// Errors: ErrNoSpeeds, ErrNotHeld, ErrPoints.
func TuneSpeed(t Trial, runs []Run, holds cv.Values, wanted ...SpeedPoint) (SpeedTuning, error) {
	before, err := levelsOf(holds)
	if err != nil {
		return SpeedTuning{}, err
	}
	var ways []way
	for _, lead := range []station.Lead{station.Front, station.Rear} {
		w, ok, err := wayOf(t, runs, lead, before)
		if err != nil {
			return SpeedTuning{}, err
		}
		if ok {
			ways = append(ways, w)
		}
	}
	if len(ways) == 0 {
		return SpeedTuning{}, fmt.Errorf("tuning speed: %w", ErrNoSpeeds)
	}
	slices.SortStableFunc(ways, func(a, b way) int { return int(math.Copysign(1, a.top-b.top)) }) // the slower first
	if len(wanted) == 0 {
		wanted = []SpeedPoint{{tableEntries, station.MillimetresPerSecond(ways[0].top)}}
	}
	curve, err := wantedCurve(wanted)
	if err != nil {
		return SpeedTuning{}, err
	}
	s := SpeedTuning{Table: before.hasTable}
	s.Registers, s.Bits = cv.Values{}, map[cv.Bit]bool{}
	after := levels{inTable: s.Table, hasTable: s.Table}
	level := func(step float64) float64 {
		l, _ := ways[0].level.Inverse(min(curve(step), ways[0].top))
		return l
	}
	if s.Table {
		after.front, after.rear = evenTrim, evenTrim
		var last uint8 = 1
		for i := range after.table {
			last = max(last, register(level(float64(i+1)), 1))
			after.table[i] = last
			s.Registers[cv.Register{CV: speedTable + nmra.CV(i)}] = last
		}
		if len(ways) == 2 {
			trim := bestTrim(ways[1], after.table, curve)
			if ways[1].lead == station.Front {
				after.front = trim
			} else {
				after.rear = trim
			}
		}
		s.Registers[cv.Register{CV: forwardTrim}], s.Registers[cv.Register{CV: reverseTrim}] = after.front, after.rear
		s.Bits[cv.Bit{Register: cv.Register{CV: configuration}, Bit: tableInUse}] = true
	} else {
		// S-9.2.2: CV 5 and 6 at 0 or 1 count for nothing, so from 2. Halfway is between steps 14 and 15.
		after.start, after.top = register(level(1), 0), register(level(tableEntries), 2)
		after.middle = min(max(register(level((1+tableEntries)/2.0), 2), after.start), after.top)
		s.Registers[cv.Register{CV: startVoltage}] = after.start
		s.Registers[cv.Register{CV: middleVoltage}] = after.middle
		s.Registers[cv.Register{CV: topVoltage}] = after.top
	}
	s.predict(ways, after, curve)
	s.say(ways, curve)
	return s, nil
}

// predict fills Steps and Worst.
func (s *SpeedTuning) predict(ways []way, after levels, wanted func(float64) float64) {
	for step := uint8(1); step <= tableEntries; step++ {
		at := TunedSpeed{Step: step, Wanted: station.MillimetresPerSecond(wanted(float64(step)))}
		for _, w := range ways {
			v := station.MillimetresPerSecond(w.level.At(after.at(float64(step), tableEntries, w.lead)))
			if w.lead == station.Front {
				at.Front = v
			} else {
				at.Rear = v
			}
		}
		s.Steps = append(s.Steps, at)
		if step == 1 || at.Off() > s.Worst.Off() {
			s.Worst = at
		}
	}
}

// say judges what is predicted.
func (s *SpeedTuning) say(ways []way, wanted func(float64) float64) {
	top := wanted(tableEntries)
	halfStep := station.MillimetresPerSecond(top / tableEntries / 2)
	cut := top > ways[0].top*(1+1e-9)
	s.Reachable = !cut && s.Worst.Off() <= halfStep
	what := "CV 2, 5 and 6"
	if s.Table {
		what = "the speed table, CV 66 to 95"
	}
	words := fmt.Sprintf("With %s step 28 is to be %.0f mm/s; the worst step is %d, off by %.1f mm/s.", what, top, s.Worst.Step, float64(s.Worst.Off()))
	if cut {
		s.Words = append(s.Words, fmt.Sprintf("Out of reach: with the %v leading no more than %.0f mm/s was measured, and %.0f mm/s is wanted.", ways[0].lead, ways[0].top, top))
	} else if !s.Reachable {
		s.Words = append(s.Words, fmt.Sprintf("Too coarse: at step %d it is off by %.1f mm/s, more than half a step (%.1f mm/s).", s.Worst.Step, float64(s.Worst.Off()), float64(halfStep)))
	}
	s.Words = append(s.Words, words)
	if len(ways) == 1 {
		s.Words = append(s.Words, fmt.Sprintf("Speeds were measured with the %v leading alone: the other way is not known.", ways[0].lead))
	}
}

// levels is what gives the drive level at a step, in parts of 255.
type levels struct {
	hasTable, inTable  bool
	table              [tableEntries]uint8
	front, rear        uint8
	start, middle, top uint8
}

// levelsOf is what registers hold. It wants those that are in use.
func levelsOf(v cv.Values) (levels, error) {
	has := func(n nmra.CV) bool { _, ok := v[cv.Register{CV: n}]; return ok }
	l := levels{hasTable: true}
	for i := range l.table {
		l.hasTable = l.hasTable && has(speedTable+nmra.CV(i))
		l.table[i] = uint8(held(v, speedTable+nmra.CV(i)))
	}
	l.inTable = uint8(held(v, configuration))>>tableInUse&1 == 1
	l.front, l.rear = uint8(held(v, forwardTrim)), uint8(held(v, reverseTrim))
	l.start, l.middle, l.top = uint8(held(v, startVoltage)), uint8(held(v, middleVoltage)), uint8(held(v, topVoltage))
	if !has(configuration) || l.inTable && !l.hasTable || !l.inTable && !has(startVoltage) {
		return l, ErrNotHeld
	}
	return l, nil
}

// at is the drive level at a step, out of top, from 0 to 255. NMRA S-9.2.2 (July 2012); that the three values are joined by straight lines, and so
// are the 28 entries with other numbers of steps, from memory.
func (l levels) at(step, top float64, lead station.Lead) float64 {
	if step <= 0 {
		return 0
	}
	if l.inTable {
		place := min(step/top*tableEntries, tableEntries)
		entry := func(n float64) float64 {
			if n < 1 {
				return 0
			}
			return float64(l.table[int(min(n, tableEntries))-1])
		}
		below := math.Floor(place)
		level := entry(below) + (place-below)*(entry(below+1)-entry(below))
		trim := l.front
		if lead == station.Rear {
			trim = l.rear
		}
		if trim != 0 {
			level *= float64(trim) / evenTrim
		}
		return min(level, full)
	}
	start, middle, most := float64(l.start), float64(l.middle), float64(l.top)
	if most <= 1 {
		most = full
	}
	if middle <= 1 {
		middle = (start + most) / 2
	}
	switch half := (1 + top) / 2; {
	case step <= 1:
		return step * start
	case step <= half:
		return start + (step-1)/(half-1)*(middle-start)
	default:
		return middle + (step-half)/(top-half)*(most-middle)
	}
}

// way is the speed, in mm/s, against the drive level with one end leading.
type way struct {
	lead  station.Lead
	level stat.Curve
	top   float64 // the fastest measured
}

func wayOf(t Trial, runs []Run, lead station.Lead, l levels) (w way, ok bool, err error) {
	x, y := []float64{0}, []float64{0}
	for _, r := range runs {
		if r.Made && r.Lead == lead && r.Step > 0 {
			x, y = append(x, l.at(float64(r.Step), float64(stepsOf(t).Top()), lead)), append(y, float64(r.Speed))
		}
	}
	if len(x) < 3 {
		return w, false, nil
	}
	curve, err := stat.Monotone(x, y)
	if err != nil {
		return w, false, fmt.Errorf("tuning speed, %v leading: %w", lead, err)
	}
	return way{lead, curve, curve.At(full)}, true, nil
}

// stepsOf is how many steps the runs count in.
func stepsOf(t Trial) nmra.Steps {
	if t.Vehicle.Steps == 0 {
		return nmra.Steps28
	}
	return t.Vehicle.Steps
}

// wantedCurve is the speed wanted at a step of 28.
func wantedCurve(points []SpeedPoint) (func(step float64) float64, error) {
	last := SpeedPoint{}
	for _, p := range points {
		if p.Step <= last.Step || p.Step > tableEntries || !(p.Speed > 0) || p.Speed < last.Speed || math.IsInf(float64(p.Speed), 0) {
			return nil, ErrPoints
		}
		last = p
	}
	return func(step float64) float64 {
		below := SpeedPoint{}
		for _, p := range points {
			if step <= float64(p.Step) {
				return float64(below.Speed) + (step-float64(below.Step))/float64(p.Step-below.Step)*float64(p.Speed-below.Speed)
			}
			below = p
		}
		return float64(below.Speed)
	}, nil
}

// bestTrim is the trim with which a way comes nearest to what is wanted, at the step at which it comes least near.
func bestTrim(w way, table [tableEntries]uint8, wanted func(float64) float64) uint8 {
	best, least := uint8(evenTrim), math.Inf(1)
	for trim := 1; trim <= full; trim++ {
		var worst float64
		for i, entry := range table {
			level := min(float64(entry)*float64(trim)/evenTrim, full)
			worst = max(worst, math.Abs(w.level.At(level)-wanted(float64(i+1))))
		}
		if worst < least {
			best, least = uint8(trim), worst
		}
	}
	return best
}
