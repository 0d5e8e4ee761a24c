package prog

import (
	"math/rand/v2"
	"testing"
	"time"

	"fettle/nmra/cv"
)

// register is a register behind a noisy track, by the rules of S-9.2.3 alone: what a belief is asked to find out.
type register struct {
	holds          int // a value, or absent
	lost, spurious float64
	random         *rand.Rand
}

func (r register) answer(q question) bool {
	if q.yes(r.holds) {
		return r.random.Float64() >= r.lost
	}
	return r.random.Float64() < r.spurious
}

// even is the airtime of questions where none is longer than another.
func even(question) (acknowledged, silent time.Duration) {
	return 34 * time.Millisecond, 42 * time.Millisecond
}

// find asks until the belief is proven, or 500 questions have been asked.
func (r register) find(b *belief, prior *chances, n *noise, bits bool) (h int, ok bool) {
	b.expect(prior, n)
	defer func() { *n = b.noise() }()
	for b.asked < patienceWholeByte {
		q := b.next(bits, even)
		b.learn(q, r.answer(q))
		if h, ok := b.proven(DefaultBound); ok {
			return h, true
		}
	}
	return 0, false
}

func TestEveryValueOfARegisterIsFoundOnACleanTrack(t *testing.T) {
	b, n := new(belief), newNoise()
	for _, bits := range []bool{true, false} {
		for h := range hypotheses {
			r := register{holds: h, random: rand.New(rand.NewPCG(1, 2))}
			if got, ok := r.find(b, newKnowledge().expect(cv.Register{CV: 50}, Hint{}), &n, bits); !ok || got != h {
				t.Fatalf("bits %v: a register that holds %d was read as %d, proven %v", bits, h, got, ok)
			}
		}
	}
}

func TestACleanTrackNeedsTwoQuestionsForWhatIsLikelyOnceItIsKnown(t *testing.T) {
	b, n := new(belief), newNoise()
	random := rand.New(rand.NewPCG(1, 2))
	for range 150 { // unlikely values teach both kinds of noise
		r := register{holds: random.IntN(256), random: random}
		r.find(b, newKnowledge().expect(cv.Register{CV: 50}, Hint{}), &n, true)
	}
	likely := newKnowledge().expect(cv.Register{CV: 50}, Hint{Values: []uint8{77}})
	b.expect(likely, &n)
	whole := question{whole: true, value: 77}
	b.learn(whole, true)
	if _, ok := b.provisional(DefaultBound); !ok {
		t.Error("one acknowledgement is not enough even if the track should turn out to be clean")
	}
	r := register{holds: 77, random: random}
	if got, ok := r.find(b, likely, &n, true); !ok || got != 77 || b.asked != 2 {
		t.Errorf("read %d (proven %v) with %d questions, want 77 with 2", got, ok, b.asked)
	}
}

func TestNoWrongValueIsProvenOnANoisyTrack(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	b := new(belief)
	unsure, read := 0, 0
	for range 15 {
		n := newNoise() // a new session each time: its first registers are where the noise is least known
		for range 25 {
			h := random.IntN(hypotheses)
			r := register{holds: h, lost: 0.10, spurious: 0.03, random: random}
			got, ok := r.find(b, newKnowledge().expect(cv.Register{CV: 50}, Hint{}), &n, true)
			read++
			if !ok {
				unsure++
			} else if got != h {
				t.Fatalf("a register that holds %d was proven to hold %d", h, got)
			}
		}
	}
	if unsure > read/20 {
		t.Errorf("%d of %d registers were left unsure", unsure, read)
	}
}

func TestTheNoiseOfATrackIsLearnt(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 6))
	b, n := new(belief), newNoise()
	for range 100 {
		r := register{holds: random.IntN(hypotheses), lost: 0.10, spurious: 0.03, random: random}
		r.find(b, newKnowledge().expect(cv.Register{CV: 50}, Hint{}), &n, true)
	}
	lost, spurious := n.rates()
	if lost < 0.07 || lost > 0.13 || spurious < 0.02 || spurious > 0.04 {
		t.Errorf("after 100 registers the noise is taken to be %.3f lost and %.3f false, want about 0.10 and 0.03", lost, spurious)
	}
}

func BenchmarkLearn(b *testing.B) {
	n := newNoise()
	bel := new(belief)
	bel.expect(newKnowledge().expect(cv.Register{CV: 50}, Hint{}), &n)
	b.ReportAllocs()
	for b.Loop() {
		q := bel.next(true, even)
		bel.learn(q, q.yes(77))
		if _, ok := bel.proven(DefaultBound); ok {
			bel.expect(newKnowledge().expect(cv.Register{CV: 50}, Hint{}), &n)
		}
	}
}
