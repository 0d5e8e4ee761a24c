package prog

import (
	"context"
	"errors"
	"maps"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/prog/regset"
	"fettle/station"
	"fettle/station/bench"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// shelf keeps the survey as a file would, and reads it back.
type shelf struct {
	t     testing.TB
	text  []byte
	times int
}

func (k *shelf) keep(s regset.Survey) error {
	k.text, k.times = s.Append(nil), k.times+1
	k.read() // it reads back at any time
	return nil
}

func (k *shelf) read() regset.Survey {
	k.t.Helper()
	s, err := regset.ParseSurvey("kept.survey.toml", k.text)
	if err != nil {
		k.t.Fatal(err)
	}
	return s
}

// surveyOf surveys what is on a track in one go.
func surveyOf(t testing.TB, track station.ProgrammingTrack, registers []cv.Register, pages []cv.Page) (regset.Survey, *Session, PageSearch) {
	t.Helper()
	s, err := Start(t.Context(), track, DefaultBound, new(memory))
	if err != nil {
		t.Fatal(err)
	}
	survey, err := BeginSurvey(t.Context(), s, registers, pages)
	if err != nil {
		t.Fatal(err)
	}
	k := shelf{t: t}
	survey, search, err := TakeSurvey(t.Context(), s, survey, k.keep)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(survey, k.read(), cmpopts.EquateEmpty()); diff != "" {
		t.Errorf("the survey is not what was kept (-survey +kept)\n%s", diff)
	}
	if survey.Unfinished() {
		t.Errorf("the survey has left %v, and %v to be read again", survey.Left, survey.Once)
	}
	return survey, s, search
}

// asHeld holds a survey against what a decoder really holds.
func asHeld(t testing.TB, survey regset.Survey, truth cv.Values) {
	t.Helper()
	found := maps.Clone(survey.Registers)
	for _, r := range survey.Changing {
		delete(found, r)
		truth = maps.Clone(truth)
		delete(truth, r)
	}
	if diff := cmp.Diff(truth, found); diff != "" {
		t.Errorf("(-decoder +survey)\n%s", diff)
	}
	if len(survey.Unsure) > 0 {
		t.Errorf("unsure of %v", survey.Unsure)
	}
}

// soFarAsHeld holds what a survey says that was stopped.
func soFarAsHeld(t testing.TB, survey regset.Survey, truth cv.Values) {
	t.Helper()
	for r, v := range survey.Registers {
		if truth[r] != v && r != at(892) {
			t.Errorf("register %v holds %d, and the survey that was stopped says %d", r, truth[r], v)
		}
	}
	for _, r := range survey.Absent {
		if v, there := truth[r]; there {
			t.Errorf("register %v holds %d, and the survey that was stopped says that it is absent", r, v)
		}
	}
	if len(survey.Unsure) > 0 {
		t.Errorf("the survey that was stopped is unsure of %v", survey.Unsure)
	}
}

func TestASurveyFindsAllThatADecoderHoldsAndItsPages(t *testing.T) {
	for name, pages := range map[string][]cv.Page{
		"tram-3": {}, "engine-21": {}, "engine-30": {{High: 16, Low: 0}, {High: 16, Low: 1}, {High: 16, Low: 3}, {High: 17, Low: 0}},
	} {
		t.Run(name, func(t *testing.T) {
			spec, err := bench.BuiltIn(name)
			if err != nil {
				t.Fatal(err)
			}
			d := spec.New(1)
			survey, s, search := surveyOf(t, bench.New(d), nil, nil)
			asHeld(t, survey, d.Values())
			if diff := cmp.Diff(pages, survey.Pages); diff != "" {
				t.Errorf("pages (-want +got)\n%s", diff)
			}
			if search.Alike != nil || search.Ended != nil {
				t.Errorf("%+v", search)
			}
			changing := slices.Collect(maps.Keys(spec.Changing))
			if diff := cmp.Diff(changing, survey.Changing, cmpopts.EquateEmpty()); diff != "" {
				t.Errorf("changing (-want +got)\n%s", diff)
			}
			if high, low := d.Values()[indexHigh], d.Values()[indexLow]; high != spec.Registers[indexHigh] || low != spec.Registers[indexLow] {
				t.Errorf("31 and 32 are left at %d and %d", high, low)
			}
			t.Logf("%d there, %d absent: %d questions, %v on the track",
				len(survey.Registers), len(survey.Absent), s.Tally().Operations, s.Tally().Airtime)
		})
	}
}

func TestCheckingASurveyPutsThePageBackThatWasChosen(t *testing.T) {
	s, d, track := onBench(t, "engine-30", 1)
	survey := regset.Survey{Registers: steady(d, at(892)), Absent: span(600, 800, cv.Page{})}
	rows, err := CheckSurvey(t.Context(), s, survey)
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows {
		if row.Match != Right {
			t.Errorf("%+v", row)
		}
	}
	if err := track.PowerOff(t.Context()); err != nil {
		t.Fatal(err)
	}
	if high, low := d.Values()[indexHigh], d.Values()[indexLow]; high != 16 || low != 0 {
		t.Errorf("31 and 32 are left at %d and %d, want 16 and 0", high, low)
	}
}

// limited is a track that is stopped after so many accesses: the context is done, as with Ctrl-C, or the station fails.
type limited struct {
	station.ProgrammingTrack
	left int
	stop func() error
}

func (l *limited) Service(ctx context.Context, a nmra.Access) (station.Answer, error) {
	if l.left--; l.left < 0 {
		if err := l.stop(); err != nil {
			return station.Answer{}, err
		}
	}
	return l.ProgrammingTrack.Service(ctx, a)
}

// pageDecoder is a decoder with some registers and two pages; 892 changes by itself.
func pageDecoder() bench.Spec {
	spec := generate(3)
	maps.DeleteFunc(spec.Registers, func(r cv.Register, _ uint8) bool { return r.CV > 120 && r.Page == cv.Page{} || r.Page != cv.Page{} })
	spec.Registers[at(15)], spec.Registers[at(16)] = 0, 0 // not locked
	spec.Registers[indexHigh], spec.Registers[indexLow] = 16, 1
	for c := range nmra.CV(12) {
		spec.Registers[cv.Register{CV: 257 + c, Page: cv.Page{High: 16}}] = uint8(3 * c)
		spec.Registers[cv.Register{CV: 257 + c, Page: cv.Page{High: 16, Low: 1}}] = uint8(5 * c)
	}
	spec.Registers[at(892)] = 7
	spec.Changing = map[cv.Register]bool{at(892): true}
	return spec
}

func TestProofThatASurveyStoppedAnywhereIsGoneOnWith(t *testing.T) {
	spec := pageDecoder()
	registers := slices.Concat(span(1, 140, cv.Page{}), span(880, 895, cv.Page{}),
		span(257, 290, cv.Page{High: 16}), span(257, 270, cv.Page{High: 16, Low: 1}))
	whole, s, _ := surveyOf(t, bench.New(spec.New(1)), registers, nil)
	asHeld(t, whole, spec.New(1).Values())
	all := s.Tally().Operations

	unplugged := errors.Join(errors.New("unplugged"), station.ErrStation)
	random := rand.New(rand.NewPCG(20261125, 2))
	stops, missed, rounds := 0, 0, campaign(6, 1000)
	for range rounds {
		d := spec.New(random.Uint64())
		var survey regset.Survey
		k := shelf{t: t}
		for begun := false; ; {
			ctx, cancel := context.WithCancel(t.Context())
			track := &limited{ProgrammingTrack: bench.New(d), left: random.IntN(all), stop: func() error { cancel(); return context.Canceled }}
			if random.IntN(2) == 0 {
				track.stop = func() error { return unplugged }
			}
			err := func() (err error) {
				s, err := Start(ctx, track, DefaultBound, new(memory))
				if err != nil {
					return err
				}
				if !begun {
					survey, err = BeginSurvey(ctx, s, registers, nil)
				} else {
					survey, err = ResumeSurvey(ctx, s, k.read())
				}
				if err != nil {
					return err
				}
				survey, _, err = TakeSurvey(ctx, s, survey, k.keep)
				return err
			}()
			cancel()
			if begun = k.times > 0; err == nil {
				break
			}
			if !errors.Is(err, context.Canceled) && !errors.Is(err, unplugged) {
				t.Fatal(err)
			}
			stops++
			if begun {
				soFarAsHeld(t, k.read(), spec.Registers)
			}
			if begun && !k.read().Unfinished() {
				survey = k.read()
				break
			}
		}
		if len(survey.Changing) == 0 { // the counter, which counts every two seconds, was met twice at the same count
			missed++
			survey.Changing = whole.Changing
		}
		ignoreCounter := cmpopts.IgnoreMapEntries(func(r cv.Register, _ uint8) bool { return r == at(892) })
		if diff := cmp.Diff(whole, survey, ignoreCounter, cmpopts.EquateEmpty()); diff != "" {
			t.Fatalf("(-undisturbed +gone on with)\n%s", diff)
		}
		asHeld(t, survey, d.Values())
	}
	t.Logf("%d surveys stopped %d times in all: each came to what an undisturbed one comes to, and 31 and 32 were put back", rounds, stops)
	if stops < rounds/2 || missed > 1+rounds/100 {
		t.Errorf("stopped %d times only, or the counter missed too often: %d times", stops, missed)
	}
}

// half is a survey that was stopped in the middle, of a decoder that is on a track of its own.
func half(t *testing.T, spec bench.Spec) regset.Survey {
	t.Helper()
	k := shelf{t: t}
	ctx, cancel := context.WithCancel(t.Context())
	s, err := Start(ctx, &limited{bench.New(spec.New(1)), 3200, func() error { cancel(); return context.Canceled }}, DefaultBound, new(memory))
	if err != nil {
		t.Fatal(err)
	}
	survey, err := BeginSurvey(ctx, s, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err = TakeSurvey(ctx, s, survey, k.keep); !errors.Is(err, context.Canceled) {
		t.Fatal(err)
	}
	if got := k.read(); len(got.Registers) < 50 || len(got.Left) < 100 || len(got.Pages) < 2 {
		t.Fatalf("%d registers read and %d left, want it stopped half-way", len(got.Registers), len(got.Left))
	}
	return k.read()
}

func TestASurveyOfAnotherDecoderOrAnEditedOneIsNotGoneOnWith(t *testing.T) {
	spec := pageDecoder()
	survey := half(t, spec)
	for _, c := range []struct {
		name string
		edit func(decoder cv.Values, survey *regset.Survey)
		want error
	}{
		{"the same", func(cv.Values, *regset.Survey) {}, nil},
		{"another version", func(v cv.Values, _ *regset.Survey) { v[versionRegister]++ }, OtherDecoder{}},
		{"another of the kind", func(v cv.Values, _ *regset.Survey) { v[at(18)] ^= 1 }, NotAsSurveyed{}},
		{"written to since", func(v cv.Values, _ *regset.Survey) { v[at(5)] ^= 1 }, NotAsSurveyed{}},
		{"a register edited", func(_ cv.Values, s *regset.Survey) { s.Registers[at(70)] ^= 1 }, NotAsSurveyed{}},
		{"a register on a page edited", func(_ cv.Values, s *regset.Survey) {
			s.Registers[cv.Register{CV: 258, Page: cv.Page{High: 16}}] ^= 1
		}, NotAsSurveyed{}},
		{"a register added", func(_ cv.Values, s *regset.Survey) { s.Registers[at(1000)] = 1 }, NotAsSurveyed{}},
		{"changing by itself", func(_ cv.Values, s *regset.Survey) { s.Registers[at(892)] = 99 }, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			spec, survey := spec, survey
			spec.Registers, survey.Registers = maps.Clone(spec.Registers), maps.Clone(survey.Registers)
			c.edit(spec.Registers, &survey)
			d := spec.New(2)
			before := steady(d, at(892))
			s, err := Start(t.Context(), bench.New(d), DefaultBound, new(memory))
			if err != nil {
				t.Fatal(err)
			}
			_, err = ResumeSurvey(t.Context(), s, survey)
			var other OtherDecoder
			var not NotAsSurveyed
			switch c.want.(type) {
			case nil:
				if err != nil {
					t.Error(err)
				}
			case OtherDecoder:
				if !errors.As(err, &other) {
					t.Errorf("got %v", err)
				}
			case NotAsSurveyed:
				if !errors.As(err, &not) || len(not.Registers) != 1 {
					t.Errorf("got %v", err)
				}
			}
			if diff := cmp.Diff(before, steady(d, at(892))); diff != "" {
				t.Errorf("the decoder was changed (-before +after)\n%s", diff)
			}
		})
	}
}

func TestAPageThatAnswersLikeAnotherIsSaidAndNotRead(t *testing.T) {
	spec := pageDecoder()
	for r, v := range maps.Clone(spec.Registers) {
		if r.Page == (cv.Page{High: 16}) {
			spec.Registers[cv.Register{CV: r.CV, Page: cv.Page{High: 16, Low: 2}}] = v
		}
	}
	d := spec.New(1)
	survey, _, search := surveyOf(t, bench.New(d), nil, nil)
	if diff := cmp.Diff([]cv.Page{{High: 16}, {High: 16, Low: 1}}, survey.Pages); diff != "" {
		t.Errorf("pages (-want +got)\n%s", diff)
	}
	if diff := cmp.Diff([]cv.Page{{High: 16, Low: 2}}, search.Alike); diff != "" {
		t.Errorf("alike (-want +got)\n%s", diff)
	}
}

func TestADecoderWithoutIndexRegistersHasNoPagesToSurvey(t *testing.T) {
	s, _, _ := onBench(t, "tram-3", 1)
	for _, registers := range [][]cv.Register{nil, span(257, 260, cv.Page{High: 16})} {
		if _, err := BeginSurvey(t.Context(), s, registers, []cv.Page{{High: 16}}); !errors.Is(err, ErrNoPages) {
			t.Errorf("got %v, want %v", err, ErrNoPages)
		}
	}
}

func TestADecoderWithoutDirectModeIsSurveyedWhereItIsLikelyToHaveRegisters(t *testing.T) {
	spec, err := bench.BuiltIn("shunter-7")
	if err != nil {
		t.Fatal(err)
	}
	d := spec.New(1)
	survey, s, _ := surveyOf(t, bench.New(d), nil, nil)
	truth := d.Values()
	maps.DeleteFunc(truth, func(r cv.Register, _ uint8) bool { return !slices.Contains(usual(), r) })
	asHeld(t, survey, truth)
	t.Logf("%d questions, %v on the track", s.Tally().Operations, s.Tally().Airtime)

	// NMRA S-9.2.3 (July 2012), section E: register mode reaches CV 1, 2, 3, 4, 29, 7 and 8.
	s.mode = nmra.Registers
	if survey, err = BeginSurvey(t.Context(), s, nil, nil); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{"1-4", "7-8", "29"}, cv.Ranges(survey.Of)); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
	if _, err := BeginSurvey(t.Context(), s, []cv.Register{at(1), at(65)}, nil); err == nil {
		t.Error("a register that register mode does not reach was taken")
	}
}

func TestWhatCannotBeKeptStopsTheSurvey(t *testing.T) {
	full := errors.New("the disk is full")
	for after := range 3 {
		s, _, _ := onBench(t, "engine-30", 1)
		survey, err := BeginSurvey(t.Context(), s, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		times, before := 0, s.Tally().Airtime
		_, _, err = TakeSurvey(t.Context(), s, survey, func(regset.Survey) error {
			if times++; times > after {
				return full
			}
			return nil
		})
		if !errors.Is(err, full) || times != after+1 {
			t.Errorf("got %v after keeping it %d times, want %v after %d", err, times, full, after+1)
		}
		if took := s.Tally().Airtime - before; took > time.Duration(after+1)*2*everySoFar {
			t.Errorf("it went on for %v", took)
		}
	}
}

func TestATrackThatIsTooDirtyDoesNotSpeakAgainstASurvey(t *testing.T) {
	spec := pageDecoder()
	survey := half(t, spec)
	s, err := Start(t.Context(), bench.New(spec.New(2)), DefaultBound, new(memory))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Decoder(t.Context()); err != nil {
		t.Fatal(err)
	}
	random := rand.New(rand.NewPCG(1, 1))
	s.track = noisy{s.track, random}
	_, err = ResumeSurvey(t.Context(), s, survey)
	var unread NotRead
	if !errors.As(err, &unread) {
		t.Errorf("got %v, want that it could not be read", err)
	}
}

// noisy is a track whose answers mean nothing.
type noisy struct {
	station.ProgrammingTrack
	random *rand.Rand
}

func (n noisy) Service(ctx context.Context, a nmra.Access) (station.Answer, error) {
	answer, err := n.ProgrammingTrack.Service(ctx, a)
	answer.Acknowledged = n.random.IntN(2) == 0
	return answer, err
}
