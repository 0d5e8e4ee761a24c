package capture

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/nmra/wave"
)

// track is a signal on the rails, and how it is recorded.
type track struct {
	halves    []time.Duration
	low, high float64       // volts; it begins low
	first     time.Duration // its first crossing
	after     time.Duration // how long it is recorded behind its last crossing
	rate      float64       // samples a second
	noise     float64       // volts, sigma
	seed      uint64
	sharp     bool // no filter comes before the samples
}

// step is what a sound card's filter makes of a step from 0 to 1, so many samples behind it. The filter is a low pass of linear phase which
// lets through what is below 0.45 of the rate, and stops what is above 0.55 (common practice, no source).
var step = func() func(float64) float64 {
	const fine = 64 // parts of a sample
	var table [2*stepSamples*fine + 1]float64
	sum := 0.0
	for n := range table {
		table[n] = sum
		at := (float64(n)+0.5)/fine - stepSamples
		sum += math.Sin(math.Pi*at) / (math.Pi * at) * bessel(8*math.Sqrt(max(0, 1-at*at/(stepSamples*stepSamples))))
	}
	return func(at float64) float64 {
		at = (at + stepSamples) * fine
		switch {
		case at <= 0:
			return 0
		case at >= float64(len(table)-1):
			return 1
		}
		i := int(at)
		return (table[i] + (at-float64(i))*(table[i+1]-table[i])) / table[len(table)-1]
	}
}()

const stepSamples = 32 // from where step begins to its middle

// bessel is the modified Bessel function of order 0, by its integral.
func bessel(x float64) float64 {
	sum := 0.0
	const n = 200
	for k := range n {
		sum += math.Exp(x * math.Cos(math.Pi*(float64(k)+0.5)/n))
	}
	return sum / n
}

// samples gives the samples of a track. The last argument of yield is how many of its edges are over.
func (tr track) samples(yield func(at time.Duration, v float64)) {
	random := rand.New(rand.NewPCG(tr.seed, 1))
	edges := []float64{tr.first.Seconds() * tr.rate} // in samples
	for _, half := range tr.halves {
		edges = append(edges, edges[len(edges)-1]+half.Seconds()*tr.rate)
	}
	over, level, rise := 0, 0.0, 1.0 // edges, and what they add up to
	for i := range int(edges[len(edges)-1] + tr.after.Seconds()*tr.rate) {
		for over < len(edges) && float64(i)-edges[over] > stepSamples {
			level += rise
			rise = -rise
			over++
		}
		v, sign := level, rise
		for _, edge := range edges[over:] {
			behind := float64(i) - edge
			if behind < -stepSamples {
				break
			}
			if tr.sharp && behind >= 0 {
				v += sign
			} else if !tr.sharp {
				v += sign * step(behind)
			}
			sign = -sign
		}
		yield(time.Duration(math.Round(float64(i)/tr.rate*1e9)), tr.low+(tr.high-tr.low)*v+tr.noise*random.NormFloat64())
	}
}

// sliced gives the halves of a track, each sample of which goes through all of these first.
func (tr track) sliced(through ...func(at time.Duration, v float64) float64) Batch {
	var s slicer
	var b Batch
	tr.samples(func(at time.Duration, v float64) {
		for _, f := range through {
			v = f(at, v)
		}
		s.sample(&b, at, v)
	})
	s.end(&b)
	return b
}

// some gives the halves of packets at random.
func some(packets int, seed uint64) (halves []time.Duration) {
	random := rand.New(rand.NewPCG(seed, 2))
	for range packets {
		data := make([]byte, nmra.MinBytes+random.IntN(nmra.MaxBytes-nmra.MinBytes+1))
		var check byte
		for i := range data {
			data[i] = byte(random.Uint32())
			check ^= data[i]
		}
		data[len(data)-1] ^= check
		p, err := nmra.NewPacket(data...)
		if err != nil {
			panic(err)
		}
		halves = wave.Sender{}.Append(halves, p)
	}
	return halves
}

// found gives the packets and the faults in halves, in words.
func found(halves []time.Duration) (all []string) {
	var s wave.Scanner
	for len(halves) > 0 {
		n, f := s.Scan(halves)
		halves = halves[n:]
		switch f.Kind {
		case wave.PacketFound:
			all = append(all, f.Packet.String())
		case wave.FaultFound:
			all = append(all, f.Fault.String())
		}
	}
	if f := s.End(); f.Kind == wave.FaultFound {
		all = append(all, f.Fault.String())
	}
	return all
}

// off says how far halves are from what they ought to be, in microseconds.
func off(t testing.TB, got, want []time.Duration) (mean, most float64) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%d halves, want %d", len(got), len(want))
	}
	for i := range got {
		e := math.Abs(float64(got[i]-want[i])) / 1e3
		mean += e / float64(len(got))
		most = max(most, e)
	}
	return mean, most
}
