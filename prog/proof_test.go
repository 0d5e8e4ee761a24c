package prog

import (
	"errors"
	"math/rand/v2"
	"os"
	"sync"
	"testing"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/prog/journal"
	"fettle/station/bench"
)

// campaign is how many rounds a test that counts makes: few in `make test`, many in `make proof`.
func campaign(few, many int) int {
	if os.Getenv("FETTLE_PROOF") != "" {
		return many
	}
	return few
}

// On a track that loses one acknowledgement in ten and makes up three in a hundred, batch after batch is applied to a new
// decoder, and every value that a batch accepts is held against what the decoder really holds.
func TestProofThatNoWrongValueIsAcceptedOnADirtyTrack(t *testing.T) {
	spec, err := bench.BuiltIn("tram-3")
	if err != nil {
		t.Fatal(err)
	}
	spec.Ack.Lost, spec.Ack.False = 0.10, 0.03
	registers := []cv.Register{at(2), at(3), at(4), at(5), at(17), at(18), at(29), at(67), at(80), at(94), at(1000)}
	batches := campaign(60, 10_000)

	var mu sync.Mutex
	var values, wrong, unsure, questions, unproven int
	var work sync.WaitGroup
	next := make(chan int)
	for range 2 {
		work.Go(func() {
			for n := range next {
				random := rand.New(rand.NewPCG(uint64(n), 7))
				d := spec.New(uint64(n))
				track := bench.New(d)
				truth := d.Values()
				wanted := cv.Values{}
				for _, r := range registers {
					wanted[r] = uint8(random.IntN(256))
				}
				wanted[at(17)] = 192 + wanted[at(17)]%40
				b, s, err := applied(t, track, wanted)
				var unread NotRead
				if errors.As(err, &unread) || errors.Is(err, ErrSeveral) {
					// What has to be known before a batch begins could not be proven: nothing was accepted.
					mu.Lock()
					unproven++
					mu.Unlock()
					continue
				}
				if err != nil {
					t.Errorf("batch %d: %v", n, err)
					continue
				}
				after := d.Values()
				mu.Lock()
				questions += s.Tally().Operations
				for _, row := range b.Rows {
					for _, c := range []struct {
						got  Reading
						held cv.Values
					}{{row.Before, truth}, {row.After, after}} {
						values++
						v, there := c.held[row.Register]
						switch {
						case c.got.State == Unsure:
							unsure++
						case c.got.State == Proven && (!there || v != c.got.Value), c.got.State == Absent && there:
							wrong++
							t.Errorf("batch %d: register %v holds %d, and %d (%v) was accepted", n, row.Register, v, c.got.Value, c.got.State)
						}
					}
					if row.State.Good() && after[row.Register] != row.Wanted {
						wrong++
						t.Errorf("batch %d: register %v holds %d, and counts as %s with %d", n, row.Register, after[row.Register], row.State, row.Wanted)
					}
				}
				mu.Unlock()
			}
		})
	}
	for n := range batches {
		next <- n
	}
	close(next)
	work.Wait()
	t.Logf("%d batches at 10 %% lost and 3 %% false acknowledgements: %d values accepted, %d of them wrong; %d unsure; %d batches not begun; %d questions",
		batches, values-unsure, wrong, unsure, unproven, questions)
	if values == 0 || unsure > values/10 || unproven > batches/10 {
		t.Errorf("too little was proven for the count to say anything")
	}
}

// applied applies values to what is on a track, from power-on to the end.
func applied(t *testing.T, track *bench.Bench, wanted cv.Values) (Batch, *Session, error) {
	s, err := Start(t.Context(), track, DefaultBound, new(memory))
	if err != nil {
		return Batch{}, s, err
	}
	p, err := s.plan(t.Context(), "test", journal.Decoder{}, wanted, nil)
	if err != nil {
		return Batch{}, s, err
	}
	b, err := p.Apply(t.Context(), s)
	return b, s, err
}

// On a track that loses five acknowledgements in a hundred and makes up one, whole decoders are surveyed, and every reading is held
// against what the decoder really holds.
func TestProofThatASurveyIsRightOnADirtyTrack(t *testing.T) {
	decoders := surveyDecoders(t)
	registers, wrong, unsure := 0, 0, 0
	for n := range campaign(4, 7*len(decoders)) {
		of := decoders[n%len(decoders)]
		of.spec.Ack.Lost, of.spec.Ack.False = 0.05, 0.01
		d := of.spec.New(uint64(1000 + n))
		_, w, u := ours(t, bench.New(d), d, nil)
		registers, wrong, unsure = registers+int(nmra.MaxCV), wrong+w, unsure+u
	}
	t.Logf("%d registers read at 5 %% lost and 1 %% false acknowledgements: %d wrong, %d unsure", registers, wrong, unsure)
	if wrong > 0 || unsure > registers/1000 {
		t.Errorf("%d wrong and %d unsure of %d registers", wrong, unsure, registers)
	}
}

// The bound of a survey is one on the average of all tracks, and tracks that look clean for a thousand questions are taken to be
// clean. One on which an acknowledgement comes from nowhere once in some thousands of questions is the worst: this says how bad.
func TestProofThatASurveyIsHardlyWrongOnATrackThatIsHardlyDirty(t *testing.T) {
	decoders := surveyDecoders(t)
	for _, c := range []struct{ lost, spurious float64 }{{0.001, 0.0001}, {0.001, 0.001}, {0.005, 0.0005}, {0.015, 0.003}, {0.07, 0.02}} {
		registers, wrong, unsure := 0, 0, 0
		for n := range campaign(1, 7*len(decoders)) {
			of := decoders[n%len(decoders)]
			of.spec.Ack.Lost, of.spec.Ack.False = c.lost, c.spurious
			d := of.spec.New(uint64(2000 + n))
			_, w, u := ours(t, bench.New(d), d, nil)
			registers, wrong, unsure = registers+int(nmra.MaxCV), wrong+w, unsure+u
		}
		t.Logf("%d registers read at %.1f %% lost and %.2f %% false acknowledgements: %d wrong, %d unsure",
			registers, 100*c.lost, 100*c.spurious, wrong, unsure)
		if wrong > max(1, registers/10_000) {
			t.Errorf("more than one in 10 000 is wrong")
		}
	}
}

func TestATrackThatIsTooNoisyProvesNothing(t *testing.T) {
	for _, name := range []string{"tram-3", "shunter-7"} {
		spec, err := bench.BuiltIn(name)
		if err != nil {
			t.Fatal(err)
		}
		spec.Ack.Lost, spec.Ack.False = 0.3, 0.3
		for seed := range uint64(campaign(5, 50)) {
			d := spec.New(seed)
			s, err := Start(t.Context(), bench.New(d), DefaultBound, nil)
			var unread NotRead
			if errors.As(err, &unread) || errors.Is(err, ErrSeveral) {
				continue
			}
			if err != nil {
				t.Fatal(err)
			}
			for _, r := range []cv.Register{at(7), at(3), at(4), at(29)} {
				got, err := s.Read(t.Context(), r)
				if errors.Is(err, ErrGone) {
					break
				}
				if err != nil {
					t.Fatal(err)
				}
				if got.State == Proven && got.Value != d.Values()[r] {
					t.Errorf("%s, seed %d: register %v holds %d, and %d was proven", name, seed, r, d.Values()[r], got.Value)
				}
			}
		}
	}
}
