package conform

import (
	"math"
	"testing"
	"time"

	"fettle/nmra/wave"

	"github.com/google/go-cmp/cmp"
)

// FuzzMeters takes any halves with any voltages: whatever they are, nothing panics, and what is counted adds up.
func FuzzMeters(f *testing.F) {
	for _, fault := range append(wave.Faults(), wave.NoFault) {
		s := &track{TB: f}
		s.send(reset, wave.Sender{})
		s.send(s.to(100), wave.Sender{Fault: fault})
		var seed []byte
		for _, half := range s.halves {
			seed = append(seed, byte(half>>10), byte(half>>18))
		}
		f.Add(seed, uint8(7), int64(1), 15.0)
	}
	f.Add([]byte{1, 0xFF, 2, 0xFF, 57, 0, 57, 0}, uint8(0), int64(math.MaxInt64), math.Inf(1))
	f.Fuzz(func(t *testing.T, data []byte, batch uint8, huge int64, volts float64) {
		s := &track{TB: t}
		p := powered{}
		for ; len(data) > 1; data = data[2:] {
			half := time.Duration(data[0])<<10 | time.Duration(data[1])<<18
			if data[1] == 0xFF {
				half = time.Duration(huge) << (data[0] % 64)
			}
			s.halves = append(s.halves, half)
			p.half(half, wave.Volts(volts), wave.Volts(volts*float64(data[0])/64))
		}
		r, _ := s.measured(Meter{}, len(s.halves)+1)
		if again, _ := s.measured(Meter{}, int(batch)+1); !cmp.Equal(r, again) {
			t.Fatalf("in batches of %d it is another:\n%s", int(batch)+1, cmp.Diff(r, again))
		}
		if n := r.Rules[OneSent].Seen + r.Rules[ZeroSent].Seen + r.Traffic.Silent; n != int64(len(s.halves)) || n != r.Traffic.Halves {
			t.Fatalf("%d halves measured of %d", n, len(s.halves))
		}
		var kinds int64
		for _, k := range r.Traffic.Kinds {
			kinds += k.Packets
		}
		if kinds+r.Traffic.Unreadable != r.Traffic.Packets {
			t.Fatalf("%d packets of all kinds and %d that can't be read, want %d", kinds, r.Traffic.Unreadable, r.Traffic.Packets)
		}
		for id, rule := range r.Rules {
			if rule.Outside+rule.Unsure > rule.Seen || rule.Least > rule.Median || rule.Median > rule.Most || (rule.Verdict == NotSeen) != (rule.Seen == 0) {
				t.Fatalf("rule %d: %+v", id, rule)
			}
		}
		for _, rule := range p.measured(0, int(batch)+1).Result(H0Scale).Rules {
			if rule.Outside > rule.Seen || !(rule.Least <= rule.Median && rule.Median <= rule.Most) {
				t.Fatalf("%+v", rule)
			}
		}
	})
}
