package conform

import (
	"time"

	"fettle/nmra"
	"fettle/nmra/wave"
)

// Result is what a [Meter] has measured.
type Result struct {
	Rules   []Rule   // by RuleID, all of them: Rules[OneSent]
	Ones    []Bucket // the halves of ones, in the order of length
	Zeros   []Bucket // the halves of zeros
	Traffic Traffic
}

// Bucket is how many values were from From on, and less than To.
type Bucket struct {
	From, To time.Duration
	Count    int64
}

// Traffic is what went over the track.
type Traffic struct {
	Length time.Duration // of the signal, silence included
	Halves int64

	Packets     int64 // with a right check byte
	Idle        int64 // of them idle packets
	ServiceMode int64 // of them heard in service mode: what it is entered with and what it is left with is not
	Unreadable  int64 // of them those with bytes of no known meaning

	Kinds     []KindCount    // of packets that can be read, in the order of nmra's kinds
	Addresses []AddressCount // in the order of kind and number
	Faults    []FaultCount   // in the order of wave's faults

	Silences  []Silence     // the first of them
	Silent    int64         // how many there were
	SilentFor time.Duration // all together
}

// KindCount is how many packets were of a kind.
type KindCount struct {
	Kind    nmra.Kind
	Packets int64
}

// AddressCount is how many packets went to an address, outside service mode.
type AddressCount struct {
	Address nmra.Address
	Packets int64
}

// FaultCount is how often a fault was found.
type FaultCount struct {
	Fault wave.Fault
	Count int64
}

// Silence is a time without signal: no crossing for more than [LongestHalf].
type Silence struct{ From, To time.Duration }

// PerSecond is how many packets came in a second of signal, silence left out.
func (t Traffic) PerSecond() float64 {
	if signal := t.Length - t.SilentFor; signal > 0 {
		return float64(t.Packets) / signal.Seconds()
	}
	return 0
}

// IdleShare is the part of all packets that were idle, from 0 to 1.
func (t Traffic) IdleShare() float64 {
	if t.Packets == 0 {
		return 0
	}
	return float64(t.Idle) / float64(t.Packets)
}
