package conform

import (
	"iter"
	"math/bits"
	"time"
)

// timeGrain is how finely times are counted, in nanoseconds.
const timeGrain = 10

// gauge is how often each value of a quantity was seen. Values count in grains: exactly up to fine of them, and from there on in parts of
// an octave each. The zero gauge is ready; it allocates once, with the first value.
type gauge struct {
	low, high int64 // the least and the most, in the unit that is measured in
	counts    *[buckets]int64
}

const (
	fineBits = 14 // of values in grains: with 10 ns up to 164 µs, with 10 mV up to 164 V
	fine     = 1 << fineBits
	partBits = 7 // 128 parts of an octave
	parts    = 1 << partBits
	octaves  = 28 // with 10 ns up to 12 hours; what is longer is in the last bucket
	buckets  = fine + octaves*parts
)

// add takes a value, in the unit that is measured in and in grains.
func (g *gauge) add(v, grains int64) {
	if g.counts == nil {
		g.counts = new([buckets]int64)
		g.low, g.high = v, v
	}
	g.low, g.high = min(g.low, v), max(g.high, v)
	g.counts[bucketOf(grains)]++
}

// addTime takes a time, in nanoseconds.
func (g *gauge) addTime(v int64) {
	if uint64(v) >= fine*timeGrain || g.counts == nil {
		g.add(v, v/timeGrain)
		return
	}
	g.low, g.high = min(g.low, v), max(g.high, v)
	g.counts[v/timeGrain]++
}

// bucketOf gives the bucket of a value in grains. What is less than 0 is 0.
func bucketOf(v int64) int {
	if v < fine {
		return int(max(v, 0))
	}
	octave := bits.Len64(uint64(v)) - fineBits - 1
	if octave >= octaves {
		return buckets - 1
	}
	part := v >> (octave + fineBits - partBits) & (parts - 1)
	return fine + octave*parts + int(part)
}

// valuesOf gives the values that are in a bucket, in grains: from is in it, to is not.
func valuesOf(bucket int) (from, to int64) {
	if bucket < fine {
		return int64(bucket), int64(bucket) + 1
	}
	octave, part := (bucket-fine)/parts, int64((bucket-fine)%parts)
	shift := octave + fineBits - partBits
	return (parts + part) << shift, (parts + part + 1) << shift
}

// seen is how many values there were.
func (g *gauge) seen() (n int64) {
	for _, count := range g.all() {
		n += count
	}
	return n
}

// all gives the buckets that have values.
func (g *gauge) all() iter.Seq2[int, int64] {
	return func(yield func(bucket int, count int64) bool) {
		if g.counts == nil {
			return
		}
		for bucket, count := range g.counts {
			if count > 0 && !yield(bucket, count) {
				return
			}
		}
	}
}

// median is that of the values, the lower where there are two, as exactly as the buckets have it; 0 where there are none.
func (g *gauge) median(grain int64) int64 {
	left := (g.seen() + 1) / 2
	for bucket, count := range g.all() {
		if left -= count; left <= 0 {
			from, to := valuesOf(bucket)
			return min(max(g.low, (from+(to-1-from)/2)*grain), g.high)
		}
	}
	return 0
}

// times gives the buckets of a gauge of times.
func (g *gauge) times() (list []Bucket) {
	for bucket, count := range g.all() {
		from, to := valuesOf(bucket)
		list = append(list, Bucket{From: time.Duration(from * timeGrain), To: time.Duration(to * timeGrain), Count: count})
	}
	return list
}

// tally is how often a rule was not kept.
type tally struct {
	outside, unsure           int64
	firstOutside, firstUnsure time.Duration
}

// judge holds a value against limits, 0 for none; what is beyond them by less than unsure can't be told.
func (t *tally) judge(v, least, most, unsure int64, at time.Duration) {
	beyond := max(least-v, 0)
	if most > 0 {
		beyond = max(beyond, v-most)
	}
	switch {
	case beyond == 0:
	case beyond < unsure:
		t.doubt(at)
	default:
		t.fail(at)
	}
}

func (t *tally) fail(at time.Duration) {
	if t.outside == 0 {
		t.firstOutside = at
	}
	t.outside++
}

func (t *tally) doubt(at time.Duration) {
	if t.unsure == 0 {
		t.firstUnsure = at
	}
	t.unsure++
}

// fill gives the rule what was counted.
func (t *tally) fill(r *Rule) {
	r.Outside, r.Unsure, r.First = t.outside, t.unsure, t.firstOutside
	switch {
	case t.outside > 0:
		r.Verdict = Broken
	case t.unsure > 0:
		r.Verdict, r.First = Unclear, t.firstUnsure
	case r.Seen > 0:
		r.Verdict = Kept
	}
}
