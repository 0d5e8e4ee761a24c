package wave

import (
	"iter"
	"math"
	"time"

	"fettle/nmra"
)

// Signal is packets that are sent one behind the other.
type Signal struct {
	Sender  Sender
	Parts   []Part
	Repeat  int // how often all Parts are sent; 0 is once
	Between int // idle packets between two packets, without the Sender's fault
}

// Part is a packet of a [Signal].
type Part struct {
	Packet nmra.Packet
	Times  int  // how often it is sent; 0 is once
	Good   bool // it is sent without the Sender's fault
}

// idle is the packet that says nothing to anyone (S-9.2).
var idle, _ = nmra.Instruction{Kind: nmra.Idle}.Encode() // it has no field that could be wrong

// Packets gives each packet in the order in which they are sent, with what sends it.
func (s Signal) Packets() iter.Seq2[nmra.Packet, Sender] {
	good := s.good()
	return func(yield func(nmra.Packet, Sender) bool) {
		first := true
		for range max(1, s.Repeat) {
			for _, part := range s.Parts {
				sender := s.Sender
				if part.Good {
					sender = good
				}
				for range max(1, part.Times) {
					if !first {
						for range s.Between {
							if !yield(idle, good) {
								return
							}
						}
					}
					first = false
					if !yield(part.Packet, sender) {
						return
					}
				}
			}
		}
	}
}

// Halves gives the halves of the whole signal, with what a receiver needs beside the packets: half a one before them, since where a
// signal begins there is no crossing, and a one behind them, so that the signal goes on for at least 26 µs after the last end bit
// (S-9.2). Where the Sender has a fault, there is also an idle packet without it on either side: it shows that a preamble is short,
// and where a packet breaks off.
func (s Signal) Halves() iter.Seq[time.Duration] {
	return func(yield func(time.Duration) bool) {
		var halves []time.Duration
		send := func() bool {
			for _, half := range halves {
				if !yield(half) {
					return false
				}
			}
			return true
		}
		halves = append(halves, nmra.HalfOne)
		if s.Sender.Fault != NoFault {
			halves = s.good().Append(halves, idle)
		}
		if !send() {
			return
		}
		for p, sender := range s.Packets() {
			if halves = sender.Append(halves[:0], p); !send() {
				return
			}
		}
		halves = halves[:0]
		if s.Sender.Fault != NoFault {
			halves = s.good().Append(halves, idle)
		}
		halves = s.Sender.Ones(halves, 1)
		send()
	}
}

// Airtime is how long the packets are on the track, from the first preamble to the last end bit; beyond 292 years it is that.
func (s Signal) Airtime() time.Duration {
	var once, n float64 // of whole nanoseconds, so exact for a hundred days
	for _, part := range s.Parts {
		sender, times := s.Sender, float64(max(1, part.Times))
		if part.Good {
			sender = s.good()
		}
		once += times * lasting(sender.Append(nil, part.Packet))
		n += times
	}
	repeat := float64(max(1, s.Repeat))
	all := repeat * once
	if n > 0 && s.Between > 0 {
		all += (repeat*n - 1) * float64(s.Between) * lasting(s.good().Append(nil, idle))
	}
	if all >= math.MaxInt64 {
		return math.MaxInt64
	}
	return time.Duration(all)
}

// good is the Sender without its fault.
func (s Signal) good() Sender {
	sender := s.Sender
	sender.Fault = NoFault
	return sender
}

// lasting is how long the halves are, in nanoseconds.
func lasting(halves []time.Duration) (all float64) {
	for _, half := range halves {
		all += float64(half)
	}
	return all
}
