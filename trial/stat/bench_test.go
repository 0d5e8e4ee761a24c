package stat

import (
	"math"
	"math/rand/v2"
	"testing"
)

// many is 100 000 runs of which a fifth are censored.
func many() (x, y []float64, censored []bool) {
	set := trials{exponent: 1, scatter: 0.3, rng: rand.New(rand.NewPCG(9, 9))}
	set.room = set.roomFor(0.2)
	for len(x) < 100_000 {
		a, b, c := set.draw()
		x, y, censored = append(x, a...), append(y, b...), append(censored, c...)
	}
	return x, y, censored
}

func BenchmarkCensoredLineOf100000(b *testing.B) {
	x, y, censored := many()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := CensoredLine(x, y, censored, 0.95); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkCensoredLineOf24(b *testing.B) {
	x, y, censored := many()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := CensoredLine(x[:24], y[:24], censored[:24], 0.95); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkMotionOf100000(b *testing.B) {
	x, y, censored := many()
	for i := range x {
		x[i], y[i] = math.Exp(x[i]), math.Exp(y[i])
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Motion(x, y, censored); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkToleranceOneSided(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		ToleranceOneSided(6, 20, 0.99, 0.95)
	}
}

func BenchmarkToleranceTwoSided(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		ToleranceTwoSided(24, 0.99, 0.95)
	}
}

func BenchmarkPredict(b *testing.B) {
	x, y, censored := many()
	l, err := CensoredLine(x[:24], y[:24], censored[:24], 0.95)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		l.Predict(5, 0.95)
	}
}
