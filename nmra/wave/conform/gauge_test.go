package conform

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

func TestEveryValueIsInABucketThatHoldsIt(t *testing.T) {
	before := int64(0)
	for bucket := range buckets {
		from, to := valuesOf(bucket)
		if from != before || to <= from || bucketOf(from) != bucket || bucketOf(to-1) != bucket {
			t.Fatalf("bucket %d has %d to %d, behind %d; they are in buckets %d and %d", bucket, from, to, before, bucketOf(from), bucketOf(to-1))
		}
		if from >= fine && (to-from)*parts > from {
			t.Fatalf("bucket %d is wide: %d to %d", bucket, from, to)
		}
		before = to
	}
	for _, v := range []int64{before, math.MaxInt64} {
		if got := bucketOf(v); got != buckets-1 {
			t.Errorf("%d is in bucket %d, want the last", v, got)
		}
	}
	if got := bucketOf(-1); got != 0 {
		t.Errorf("-1 is in bucket %d, want the first", got)
	}
}

func TestTheMedianIsThatOfTheValuesAsNearAsTheBucketsHaveIt(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.OneOf(rapid.Int64Range(0, 200_000), rapid.Int64Range(0, 1e13)), 1, 30).Draw(t, "values")
		var g gauge
		for _, v := range values {
			g.addTime(v)
		}
		slices.Sort(values)
		want := values[(len(values)-1)/2]
		got := g.median(timeGrain)
		if off := max(got-want, want-got); off >= max(timeGrain, want/parts) {
			t.Fatalf("%v: median %d, want %d", values, got, want)
		}
		if g.low != values[0] || g.high != values[len(values)-1] || g.seen() != int64(len(values)) {
			t.Fatalf("%v: %d from %d to %d", values, g.seen(), g.low, g.high)
		}
	})
}
