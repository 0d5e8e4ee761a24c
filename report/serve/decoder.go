package serve

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
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
		v.keeper.Home(), filepath.Base(pages.Path()))
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
	for _, f := range append(id.Facts(nil), v.Facts()...) {
		facts = append(facts, Fact(f))
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
			got, err := v.ReadAlone(v.ctx, r)
			if err != nil {
				return err
			}
			shown := Reading{Register: r.String(), State: got.State.String(), Value: got.Known()}
			switch got.State {
			case prog.Proven:
				known[r] = got.Value
				shown.Words = inWords(r, got.Value, known)
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

// inWords is the standard's name of a register, and what its value means, each where there is one.
func inWords(r cv.Register, value uint8, known cv.Values) string {
	name, means := cv.Explain(r).Name, cv.InShort(r, value, known)
	if name == "" || means == "" {
		return name + means
	}
	return name + ": " + means
}
