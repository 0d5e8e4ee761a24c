package trial

import (
	"fmt"
	"math"

	"fettle/nmra"
	"fettle/station"
	"fettle/trial/stat"
)

// offSpeed is how far the speed of a step may be from the one that is wanted, as a share of it. Our choice: runs are judged by the speed
// that they had, but a trial at quite another says little of the one that the layout uses.
const offSpeed = 0.25

// SetSteps gives runs that want a speed and say no step the step that comes nearest to it with their lead, and every run that is not made
// the speed of its step, by monotone interpolation between measured speeds: the runs of a trial of speed. Errors: no measured speed with a lead; a
// wanted speed that no step comes near.
func SetSteps(runs, measured []Run, of nmra.Steps) ([]Run, error) {
	curves := map[station.Lead]stat.Curve{}
	for _, lead := range []station.Lead{station.Front, station.Rear} {
		steps, speeds := []float64{0}, []float64{0}
		for _, r := range measured {
			if r.Made && r.Lead == lead && r.Step > 0 {
				steps, speeds = append(steps, float64(r.Step)), append(speeds, float64(r.Speed))
			}
		}
		if len(steps) == 1 {
			continue
		}
		curve, err := stat.Monotone(steps, speeds)
		if err != nil {
			return nil, fmt.Errorf("finding steps, %v leading: %w", lead, err)
		}
		curves[lead] = curve
	}
	out := append([]Run(nil), runs...)
	for i := range out {
		r := &out[i]
		curve, ok := curves[r.Lead]
		switch {
		case r.Made || r.Step > 0 && (!ok || r.Speed > 0):
			continue
		case !ok:
			return nil, fmt.Errorf("finding the step of run %d: no speed was measured with the %v leading", r.Number, r.Lead)
		case r.Step > 0:
			r.Speed = tenth(station.MillimetresPerSecond(curve.At(float64(r.Step))))
			continue
		}
		wanted, near := float64(r.Speed), math.Inf(1)
		for step := uint8(1); step <= of.Top(); step++ {
			if off := math.Abs(curve.At(float64(step)) - wanted); off < near {
				r.Step, near = step, off
			}
		}
		gives := station.MillimetresPerSecond(curve.At(float64(r.Step)))
		if !(near <= offSpeed*wanted) {
			return nil, fmt.Errorf("finding the step of run %d: it wants %v, %v leading, and of the steps none comes near: step %d gives %v; change speeds_mm_s",
				r.Number, r.Speed, r.Lead, r.Step, gives)
		}
		r.Speed = tenth(gives)
	}
	return out, nil
}

// tenth rounds to a tenth of a unit: no one sees more.
func tenth[T ~float64](x T) T { return T(math.Round(float64(x)*10) / 10) }
