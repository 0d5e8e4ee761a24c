package wave

// Volts is a voltage between the rails: positive where the rail that a capture's probe sees as the positive one is.
type Volts float64

// Milliamps is a track current.
type Milliamps float64
