package serve

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"fettle/nmra/cv"
	"fettle/prog"
	"fettle/prog/journal"
)

// visit is one stay of a decoder on the programming track. A journal keeps what is written during it, and another the choice of an index page.
type visit struct {
	*prog.Session
	*job
	server *Server
	keeper journal.Keeper
}

// visit begins a stay, and does what is to be done in it.
func (s *Server) visit(j *job, hints func(cv.Register) prog.Hint, do func(*visit) error) error {
	v := &visit{job: j, server: s}
	v.keeper.NewPages = func() (*journal.Journal, error) { return v.newJournal("pages", "pages", "the choice of an index page") }
	var err error
	if v.Session, err = prog.Start(j.ctx, s.programming(j), s.options.Bound, &v.keeper); err != nil {
		return err
	}
	v.Progress, v.Hints = s.progress, hints
	err = do(v)
	if v.keeper.Journal == nil {
		err = v.leavePages(err)
	}
	return err
}

// newJournal is the journal of a batch on the decoder of this visit. name begins the name of its file.
func (v *visit) newJournal(name, batch, title string) (*journal.Journal, error) {
	d, err := v.Decoder(v.ctx)
	if err != nil {
		return nil, err
	}
	j := journal.New(string(v.server.folder), name, journal.Header{Batch: batch, Title: title, When: time.Now(), Station: v.server.state.Station})
	j.For(d)
	return j, nil
}

// leavePages puts back registers 31 and 32 after work that had no batch, and adds to its error where that fails.
func (v *visit) leavePages(err error) error {
	pages := v.keeper.Pages
	if pages == nil && err != nil && !errors.Is(err, context.Canceled) {
		return err // a station that may have failed is left alone
	}
	restoring := v.Restore(context.WithoutCancel(v.ctx))
	switch {
	case pages == nil:
		return errors.Join(err, restoring)
	case restoring == nil:
		return errors.Join(err, pages.Discard())
	}
	return fmt.Errorf("%w: %w; registers 31 and 32 are not put back (%s), %s has what they held", errExplained, errors.Join(err, restoring, pages.Close()),
		v.keeper.Home(), base(pages.Path()))
}

// identify finds out what is on the programming track.
func (s *Server) identify(j *job) error {
	var id prog.Identity
	var facts []Fact
	err := s.visit(j, nil, func(v *visit) (err error) {
		if id, err = prog.Identify(j.ctx, v.Session); err == nil {
			facts = v.facts(id)
		}
		return err
	})
	if err != nil {
		s.change(func(t *State) { t.Identity = []Fact{} })
		return err
	}
	s.change(func(t *State) { t.Identity = facts })
	s.offer(&journal.Decoder{Maker: id.Maker, Version: id.Version})
	return nil
}

// facts are what is known of a decoder, in words.
func (v *visit) facts(id prog.Identity) (facts []Fact) {
	fact := func(label, format string, args ...any) {
		facts = append(facts, Fact{label, fmt.Sprintf(format, args...)})
	}
	switch id.Maker {
	case cv.MakerResetting:
		fact("maker", "%d: a factory reset may not be complete: turn the track off and on, and look again", id.Maker)
	case cv.MakerIsExtended:
		fact("maker", "%d: its number is in registers 107 and 108", id.Maker)
	default:
		fact("maker", "%d", id.Maker)
	}
	fact("version", "%d", id.Version)
	var modes []string
	for _, m := range id.Modes {
		modes = append(modes, m.String())
	}
	fact("answers", "%s", strings.Join(modes, ", "))
	fact("address", "%v", id.InUse())
	if configuration, ok := id.Registers[cv.Register{CV: cv.Configuration}]; ok {
		if configuration>>cv.ReversedBit&1 == 1 {
			fact("direction", "reversed: bit 0 of 29 is set")
		}
		if configuration>>cv.StepsBit&1 == 0 {
			fact("steps", "14: bit 1 of 29 is not set, so a station must send it 14 speed steps")
		}
	}
	switch {
	case id.Height > 0:
		fact("track", "%.0f mA at rest; acknowledges with %.0f mA for %.1f ms", float64(id.Rest), float64(id.Height), id.Pulse.Seconds()*1000)
	case id.Rest > 0:
		fact("track", "%.0f mA at rest; the station does not measure acknowledgements", float64(id.Rest))
	default:
		fact("track", "the station does not measure its current")
	}
	if pace, slower := v.Pace(); slower {
		fact("pace", "asked slower than the standard allows, with %s: the decoder does not keep up", pace)
	}
	if lost, spurious := v.Noise(); lost >= 0.01 || spurious >= 0.005 {
		fact("noise", "about %.0f %% of the acknowledgements go missing and %.0f %% come from nowhere: clean wheels and rails", lost*100, spurious*100)
	}
	return facts
}

// mostRegisters is how many are read at once: as many as a decoder has on one page.
const mostRegisters = 1024

// parseRegisters reads which registers are to be read: "1 8 29 67-94".
func parseRegisters(text string) (registers []cv.Register, err error) {
	for _, word := range strings.FieldsFunc(text, func(r rune) bool { return r == ' ' || r == ',' || r == ';' || r == '\n' || r == '\t' }) {
		some, err := cv.ParseRange(word)
		if err != nil {
			return nil, err
		}
		if registers = append(registers, some...); len(registers) > mostRegisters {
			return nil, fmt.Errorf("found more than %d registers, want at most that", mostRegisters)
		}
	}
	if len(registers) == 0 {
		return nil, errors.New("found no register, want one, as 29 or 67-94")
	}
	return registers, nil
}

// read reads registers, and shows each as it is read.
func (s *Server) read(j *job, registers []cv.Register) error {
	s.change(func(t *State) { t.Readings = []Reading{} })
	known := cv.Values{}
	return s.visit(j, nil, func(v *visit) error {
		for n, r := range registers {
			s.progress("reading", n, len(registers))
			got, err := v.readAlone(r)
			if err != nil {
				return err
			}
			shown := Reading{Register: r.String(), State: got.State.String(), Value: proven(got)}
			switch got.State {
			case prog.Proven:
				known[r] = got.Value
				shown.Words = named(r) + meaning(r, got.Value, known)
			case prog.Absent:
				shown.Words = "the decoder has no such register"
			default:
				shown.Words = "could not be proven: clean the wheels and the rails, and try again"
			}
			s.change(func(t *State) { t.Readings = append(t.Readings[:len(t.Readings):len(t.Readings)], shown) })
		}
		return nil
	})
}

// readAlone reads a register, and makes sure that no second decoder has a say in it.
func (v *visit) readAlone(r cv.Register) (prog.Reading, error) {
	got, err := v.Read(v.ctx, r)
	if err != nil {
		return got, err
	}
	if got.State == prog.Unsure {
		if _, err := v.Decoder(v.ctx); errors.Is(err, prog.ErrSeveral) {
			return got, err
		}
	}
	return got, v.Alone(v.ctx, got)
}

// proven is the value of a reading, nil where there is none.
func proven(r prog.Reading) *uint8 {
	if r.State != prog.Proven {
		return nil
	}
	return &r.Value
}

// named is the standard's name of a register, with a colon; "" where it has none.
func named(r cv.Register) string {
	if name := cv.Explain(r).Name; name != "" {
		return name + ": "
	}
	return ""
}

// meaning says in short what a value means: which of its bits are on, where they have meanings of their own; else what the standard has to
// say of the value.
func meaning(r cv.Register, value uint8, known cv.Values) string {
	e := cv.ExplainValue(r, value, known)
	if len(e.Bits) > 1 {
		var on []string
		for _, b := range e.Bits {
			if *b.Set {
				on = append(on, fmt.Sprintf("%d %s", b.Number, b.Name))
			}
		}
		if on == nil {
			return "no bit on"
		}
		return "on: " + strings.Join(on, ", ")
	}
	var said []string
	for _, sentence := range e.Sentences[len(cv.Explain(r).Sentences):] {
		said = append(said, strings.ToLower(sentence[:1])+strings.TrimSuffix(sentence[1:], "."))
	}
	return strings.Join(said, "; ")
}
