package prog

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/prog/regset"
)

// ErrNoPages is the error of a survey of index pages on a decoder that has none.
var ErrNoPages = errors.New("the decoder has no registers 31 and 32, and so no index pages: survey it without pages")

// BeginSurvey says what a survey is to be of, and reads whose it is. registers nil is all that the decoder may have: 1 to 1024,
// and behind 257 to 512 the pages given; pages nil are to be looked for. A decoder without direct mode, where every value may
// have to be asked for, is then surveyed only where such a decoder is likely to have registers, and its pages are not looked
// for. It writes nothing. Errors: [ErrNoPages]; registers that the decoder's mode does not reach; those of [Session.Decoder].
func BeginSurvey(ctx context.Context, s *Session, registers []cv.Register, pages []cv.Page) (regset.Survey, error) {
	d, err := s.Decoder(ctx)
	if err != nil {
		return regset.Survey{}, err
	}
	survey := regset.Survey{
		Decoder: regset.Guard{Maker: &d.Maker, Version: &d.Version}, Of: slices.Clone(registers), Registers: cv.Values{}, Pages: pages,
	}
	switch {
	case registers != nil:
		survey.Pages = pagesOf(registers)
	case s.bits():
		survey.Of = span(1, nmra.MaxCV, cv.Page{})
	default:
		survey.Of = slices.DeleteFunc(usual(), func(r cv.Register) bool { return !s.reaches(r) })
		survey.Pages = append([]cv.Page{}, pages...)
	}
	slices.SortFunc(survey.Of, cv.Register.Compare)
	for _, r := range survey.Of {
		if !s.reaches(r) {
			return regset.Survey{}, fmt.Errorf("register %v can't be reached in %v mode, the ablest in which the decoder answers", r, s.mode)
		}
	}
	survey.Left = survey.Of
	if len(survey.Pages) == 0 {
		return survey, nil
	}
	home, err := s.chosen(ctx)
	if err != nil {
		return regset.Survey{}, err
	}
	if home == nil {
		return regset.Survey{}, ErrNoPages
	}
	if registers == nil {
		addPages(&survey, *home, pages)
	}
	return survey, nil
}

// usual is what a decoder without direct mode is likely to have, of what matters: motor, address and configuration.
func usual() []cv.Register {
	return slices.Concat(span(1, 9, cv.Page{}), span(17, 19, cv.Page{}), span(29, 29, cv.Page{}))
}

// span is the registers from first to last.
func span(first, last nmra.CV, page cv.Page) (rs []cv.Register) {
	for c := first; c <= last; c++ {
		rs = append(rs, cv.Register{CV: c, Page: page})
	}
	return rs
}

func pagesOf(registers []cv.Register) []cv.Page {
	pages := []cv.Page{}
	for _, r := range registers {
		if r.Page != (cv.Page{}) && !slices.Contains(pages, r.Page) {
			pages = append(pages, r.Page)
		}
	}
	slices.SortFunc(pages, cv.Page.Compare)
	return pages
}

// reaches says whether the session's mode has a packet for the register.
func (s *Session) reaches(r cv.Register) bool {
	_, _, ok := s.mode.Register(r.CV)
	return ok || s.mode == nmra.Direct
}

// chosen is what CV 31 and 32 hold when no page has been turned to; nil where the decoder does not have them.
func (s *Session) chosen(ctx context.Context) (*cv.Page, error) {
	if err := s.Restore(ctx); err != nil {
		return nil, err
	}
	high, err := s.here(ctx, indexHigh)
	if err != nil || high.State == Absent {
		return nil, err
	}
	low, err := s.here(ctx, indexLow)
	switch {
	case err != nil || low.State == Absent:
		return nil, err
	case high.State != Proven:
		return nil, NotRead{high}
	case low.State != Proven:
		return nil, NotRead{low}
	}
	return &cv.Page{High: high.Value, Low: low.Value}, nil
}

// addPages has a survey read what stands behind pages. Where one of them is the page that was chosen when the session began, 257
// to 512 without a page are the same registers, and not read twice.
func addPages(survey *regset.Survey, home cv.Page, pages []cv.Page) {
	survey.Pages = append([]cv.Page{}, pages...)
	if slices.Contains(pages, home) {
		plain := func(r cv.Register) bool { return r.Indexed() && r.Page == cv.Page{} }
		survey.Of = slices.DeleteFunc(slices.Clone(survey.Of), plain)
		survey.Left = slices.DeleteFunc(slices.Clone(survey.Left), plain)
	}
	for _, p := range pages {
		behind := span(cv.FirstIndexed, cv.LastIndexed, p)
		survey.Of, survey.Left = slices.Concat(survey.Of, behind), slices.Concat(survey.Left, behind)
	}
}

// TakeSurvey reads what is left of a survey, then everything that was found a second time: what differs by then changes by
// itself. keep is given all that is good by then, every two seconds on the track and whenever it ends or is stopped; it is to be
// kept for good, since from that a survey is gone on with ([ResumeSurvey]). Before the first page is turned to, what CV 31 and
// 32 hold is kept in the same way; nothing but these two is written, and they are put back at the end; where the survey was
// stopped, [Session.Restore] does. Errors: those of keep and of [Session.Read].
func TakeSurvey(ctx context.Context, s *Session, survey regset.Survey, keep func(regset.Survey) error) (regset.Survey, PageSearch, error) {
	t := taking{Session: s, begun: survey, keep: keep, read: map[cv.Register]Reading{}, again: map[cv.Register]Reading{}}
	t.begun.Registers = maps.Clone(survey.Registers)
	search, err := t.take(ctx)
	return t.survey(), search, err
}

// taking is a survey while it is being taken.
type taking struct {
	*Session
	begun  regset.Survey // as it was at the beginning, but for pages that have been found since
	keep   func(regset.Survey) error
	failed bool                    // keep has
	read   map[cv.Register]Reading // of begun.Left
	again  map[cv.Register]Reading // of what has been found
}

func (t *taking) take(ctx context.Context) (search PageSearch, err error) {
	home, err := t.index(ctx)
	if err != nil {
		return search, err
	}
	if err := t.save(); err != nil {
		return search, err
	}
	if t.begun.Pages == nil {
		// With the other registers read, the noise is known, and looking for pages takes fewer questions.
		plain := slices.DeleteFunc(t.survey().Left, cv.Register.Indexed)
		if err := t.readInto(ctx, "reading", plain, nil, t.read); err != nil {
			return search, err
		}
		var pages []cv.Page
		if home != nil {
			if pages, search, err = t.findPages(ctx, *home); err != nil {
				return search, err
			}
			addPages(&t.begun, *home, pages)
		}
		t.begun.Pages = append([]cv.Page{}, pages...)
		if err := t.save(); err != nil {
			return search, err
		}
	}
	if err := t.readInto(ctx, "reading", t.survey().Left, nil, t.read); err != nil {
		return search, err
	}
	found := t.survey()
	for _, r := range found.Once {
		delete(t.held, r)
	}
	// What chooses the page comes last, and is put back for that: a survey that is done leaves no page chosen.
	slices.SortStableFunc(found.Once, func(a, b cv.Register) int { return cmp.Compare(chooses(a), chooses(b)) })
	if err := t.readInto(ctx, "reading again", found.Once, found.Registers, t.again); err != nil {
		return search, err
	}
	return search, t.Restore(ctx)
}

// chooses is 1 for the registers that choose the index page, else 0.
func chooses(r cv.Register) int {
	if r == indexHigh || r == indexLow {
		return 1
	}
	return 0
}

// index has what CV 31 and 32 hold in the survey, where it may turn to pages. nil where it may not, or can't.
func (t *taking) index(ctx context.Context) (*cv.Page, error) {
	if t.begun.Pages != nil && len(t.begun.Pages) == 0 {
		return nil, nil
	}
	if home := homeOf(t.begun); home != nil {
		return home, nil
	}
	home, err := t.chosen(ctx)
	var unread NotRead
	if home == nil || err != nil {
		if errors.As(err, &unread) && t.begun.Pages == nil {
			err = nil // it is unsure, and no page is turned to
		}
		return nil, err
	}
	t.begun.Registers[indexHigh], t.begun.Registers[indexLow] = home.High, home.Low
	t.begun.Left = slices.DeleteFunc(slices.Clone(t.begun.Left), func(r cv.Register) bool { return chooses(r) == 1 })
	t.begun.Once = slices.Concat(t.begun.Once, []cv.Register{indexHigh, indexLow})
	return home, nil
}

// homeOf is what CV 31 and 32 held when a survey began; nil where it has not been read.
func homeOf(survey regset.Survey) *cv.Page {
	high, okHigh := survey.Registers[indexHigh]
	low, okLow := survey.Registers[indexLow]
	if !okHigh || !okLow {
		return nil
	}
	return &cv.Page{High: high, Low: low}
}

func (t *taking) readInto(ctx context.Context, doing string, rs []cv.Register, likely cv.Values, into map[cv.Register]Reading) error {
	if len(rs) == 0 {
		return nil
	}
	_, err := t.readAll(ctx, doing, rs, likely, quick, func(good map[cv.Register]Reading) error {
		maps.Copy(into, good)
		return t.save()
	})
	return err
}

// save has the survey kept. Once that has failed it is not tried again.
func (t *taking) save() error {
	if t.failed {
		return nil
	}
	err := t.keep(t.survey())
	t.failed = err != nil
	return err
}

// survey is what has come of it by now.
func (t *taking) survey() regset.Survey {
	v := t.begun
	v.Registers, v.Left, v.Once = maps.Clone(t.begun.Registers), nil, nil
	v.Absent, v.Unsure, v.Changing = slices.Clone(t.begun.Absent), slices.Clone(t.begun.Unsure), slices.Clone(t.begun.Changing)
	once := slices.Clone(t.begun.Once)
	for _, r := range t.begun.Left {
		switch got, read := t.read[r]; {
		case !read:
			v.Left = append(v.Left, r)
		case got.State == Proven:
			v.Registers[r] = got.Value
			once = append(once, r)
		case got.State == Absent:
			v.Absent = append(v.Absent, r)
		default:
			v.Unsure = append(v.Unsure, r)
		}
	}
	for _, r := range once {
		switch got, read := t.again[r]; {
		case !read:
			v.Once = append(v.Once, r)
		case got.State != Proven: // though it was proven before
			delete(v.Registers, r)
			v.Unsure = append(v.Unsure, r)
		case got.Value != v.Registers[r]:
			v.Changing = append(v.Changing, r)
		}
	}
	for _, list := range []*[]cv.Register{&v.Of, &v.Left, &v.Once, &v.Absent, &v.Unsure, &v.Changing} {
		slices.SortFunc(*list, cv.Register.Compare)
	}
	return v
}
