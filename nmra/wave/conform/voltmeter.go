package conform

import (
	"time"

	"fettle/nmra/wave"
)

// Voltmeter measures the voltages of a signal. The zero Voltmeter is ready.
type Voltmeter struct{}

// Halves takes the next halves, in the order of time, and the voltage that each settles at; start is that of the first half.
func (v *Voltmeter) Halves(start time.Duration, halves []time.Duration, volts []wave.Volts) {}

// Result is what was measured until now, held against what S-9.1 has for the scale.
func (v *Voltmeter) Result(scale Scale) Voltage { return Voltage{} }
