package trial

import (
	"fmt"
	"time"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/station"
	"fettle/trial/stat"
)

// MomentumTuning is the value of CV 4 with which the vehicle stops over a distance from its top step when it is told to stop.
type MomentumTuning struct {
	Tuning
	Value    uint8
	Stop     station.Millimetres // that is predicted from the top step, with the faster way
	Time     time.Duration       // it takes
	Step     station.Millimetres // that 1 more moves the stop
	Now      station.Millimetres // the stop with what CV 4 and 24 held
	TopSpeed station.MillimetresPerSecond
}

// StepTime is how long a decoder takes from one step to the next: value x 0.896 s / steps in use (NMRA S-9.2.2, July 2012, CV 3, 4). value
// is CV 4 with its trim, 0 or more.
func StepTime(value int, steps nmra.Steps) time.Duration {
	return time.Duration(cv.SecondsAStep(value, steps) * float64(time.Second))
}

// TuneMomentum finds the value of CV 4 for a wanted stopping distance from the top step, from the runs of a trial of speed. The trim in CV 24, bit
// 7 its sign, stays as it is. The speed is taken to follow the steps as they fall, evenly from one to the next: a heavy flywheel runs farther.
// Errors: ErrNoSpeeds, ErrNotHeld where CV 4 is not known.
func TuneMomentum(t Trial, runs []Run, holds cv.Values, wanted station.Millimetres) (MomentumTuning, error) {
	if _, ok := holds[cv.Register{CV: decelerationTime}]; !ok {
		return MomentumTuning{}, fmt.Errorf("tuning momentum: %w, and CV 4", ErrNotHeld)
	}
	steps := stepsOf(t)
	var m MomentumTuning
	var sum float64 // mm for each second that a step takes
	for _, lead := range []station.Lead{station.Front, station.Rear} {
		x, y := []float64{0}, []float64{0}
		for _, r := range runs {
			if r.Made && r.Lead == lead && r.Step > 0 {
				x, y = append(x, float64(r.Step)), append(y, float64(r.Speed))
			}
		}
		if len(x) < 3 {
			continue
		}
		curve, err := stat.Monotone(x, y)
		if err != nil {
			return m, fmt.Errorf("tuning momentum, %v leading: %w", lead, err)
		}
		top := curve.At(float64(steps.Top()))
		way := top / 2
		for step := uint8(1); step < steps.Top(); step++ {
			way += curve.At(float64(step))
		}
		sum, m.TopSpeed = max(sum, way), max(m.TopSpeed, station.MillimetresPerSecond(top))
	}
	if !(sum > 0) {
		return m, fmt.Errorf("tuning momentum: %w", ErrNoSpeeds)
	}
	trim := cv.TrimOf(holds[cv.Register{CV: decelerationTrim}])
	stop := func(value int) station.Millimetres {
		return station.Millimetres(StepTime(value, steps).Seconds() * sum)
	}
	m.Step = stop(1)
	m.Now = stop(int(held(holds, decelerationTime)) + trim)
	m.Value = register(float64(wanted/m.Step)-float64(trim), 0)
	total := int(m.Value) + trim
	m.Stop, m.Time = stop(total), StepTime(total, steps)*time.Duration(steps.Top())
	m.Registers = cv.Values{cv.Register{CV: decelerationTime}: m.Value}
	m.Reachable = max(m.Stop-wanted, wanted-m.Stop) <= m.Step/2*(1+1e-6)
	if m.Reachable {
		m.Words = []string{fmt.Sprintf("Write %d to CV 4: from %v it is predicted to stop in %v and %.1f s; a step of 1 moves the stop by %.3g mm. With what CV 4 and 24 held it is %v.",
			m.Value, m.TopSpeed, m.Stop, m.Time.Seconds(), float64(m.Step), m.Now)}
	} else {
		m.Words = []string{fmt.Sprintf("Out of reach: CV 4 goes from 0 to 255, and with CV 24 at %+d the nearest to %v is %v, with %d.", trim, wanted, m.Stop, m.Value)}
	}
	return m, nil
}
