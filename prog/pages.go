package prog

import (
	"context"
	"slices"

	"fettle/nmra"
	"fettle/nmra/cv"
)

// PageSearch is what is to be said of a search for index pages.
type PageSearch struct {
	Alike []cv.Page // they answer like a page before them, as far as they were asked, and were not read
	Ended *cv.Page  // where the search came to the end of its questions; nil where it did not
}

const (
	// mostPageQuestions is how many questions are spent on looking for pages; a page takes about 30.
	mostPageQuestions = 4000

	// How many values of CV 32 in a row without a page of its own, and then of CV 31, are taken to be followed by none.
	fruitlessLow  = 3
	fruitlessHigh = 3
)

// samples are the registers by which it is told whether there is a page: the first of a page are the likeliest to be there.
// moreSamples are asked too where a page looks like another.
var (
	samples     = [...]nmra.CV{257, 258, 260, 264, 272, 288, 320, 384}
	moreSamples = [...]nmra.CV{259, 261, 262, 263, 266, 269, 276, 281, 296, 304, 312, 336, 352, 416, 448, 512}
)

// findPages looks for index pages: those chosen by CV 31 from 16 up and CV 32 from 0 up, and home, that of CV 31 and 32 as they
// were found. A page is one where a sample of the registers answers, and not all alike with those of a page before it, or of the
// registers behind no page. It writes CV 31 and 32.
//
// It does not find a page all of whose samples are absent, nor one behind several that are not there.
func (s *Session) findPages(ctx context.Context, home cv.Page) (pages []cv.Page, search PageSearch, err error) {
	known := []cv.Page{{}} // what stands there when no page is chosen may be what all pages show
	if home.High >= cv.FirstPage {
		known, pages = []cv.Page{home}, []cv.Page{home}
	}
	begun, asked := s.tally.Operations, map[cv.Register]Reading{}
	for high, barren := int(cv.FirstPage), 0; high <= 255 && barren < fruitlessHigh; high++ {
		barren++
		for low, fruitless := 0, 0; low <= 255 && fruitless < fruitlessLow; low++ {
			page := cv.Page{High: uint8(high), Low: uint8(low)}
			if page == home {
				barren, fruitless = 0, 0
				continue
			}
			spent := s.tally.Operations - begun
			if spent > mostPageQuestions {
				search.Ended = &page
				return pages, search, nil
			}
			s.progress("looking for index pages", spent, mostPageQuestions)
			turned, err := s.turnTo(ctx, page)
			if err != nil {
				return nil, search, err
			}
			if !turned {
				break // CV 31 or 32 does not take it, nor is it likely to take more
			}
			fruitless++
			there, like, err := s.look(ctx, page, known, asked)
			switch {
			case err != nil:
				return nil, search, err
			case like:
				search.Alike = append(search.Alike, page)
			case there:
				known, pages = append(known, page), append(pages, page)
				barren, fruitless = 0, 0
			}
		}
	}
	s.progress("looking for index pages", mostPageQuestions, mostPageQuestions)
	slices.SortFunc(pages, cv.Page.Compare)
	return pages, search, nil
}

// look says whether a page is there, and whether it is like one that is known. asked has the samples that were read before, and
// is added to.
func (s *Session) look(ctx context.Context, page cv.Page, known []cv.Page, asked map[cv.Register]Reading) (there, like bool, err error) {
	here, err := s.sample(ctx, page, samples[:], asked)
	if err != nil {
		return false, false, err
	}
	there = slices.ContainsFunc(here, func(got Reading) bool { return got.State == Proven })
	for _, other := range known {
		if !there {
			break
		}
		for _, registers := range [][]nmra.CV{samples[:], moreSamples[:]} {
			if like, err = s.alike(ctx, page, other, registers, asked); err != nil || !like {
				break
			}
		}
		if like || err != nil {
			return there, like, err
		}
	}
	return there, false, nil
}

// alike says whether registers of two pages hold the same.
func (s *Session) alike(ctx context.Context, page, other cv.Page, registers []nmra.CV, asked map[cv.Register]Reading) (bool, error) {
	a, err := s.sample(ctx, page, registers, asked)
	if err != nil {
		return false, err
	}
	b, err := s.sample(ctx, other, registers, asked)
	same := func(a, b Reading) bool { return a.State == b.State && a.Value == b.Value }
	return err == nil && slices.EqualFunc(a, b, same), err
}

// sample reads registers of a page, unless they have been. That one is absent is taken for granted sooner than where it is
// surveyed: a page is only missed where it is wrong of all of them.
func (s *Session) sample(ctx context.Context, page cv.Page, registers []nmra.CV, asked map[cv.Register]Reading) (readings []Reading, err error) {
	for _, c := range registers {
		r := cv.Register{CV: c, Page: page}
		got, known := asked[r]
		if !known {
			if got, err = s.glance(ctx, r); err != nil {
				return nil, err
			}
			asked[r] = got
		}
		readings = append(readings, got)
	}
	return readings, nil
}

// glance is Read, but for what it takes to call a register absent.
func (s *Session) glance(ctx context.Context, r cv.Register) (Reading, error) {
	if got, done, err := s.already(ctx, r); done || err != nil {
		return got, err
	}
	hint := s.hint(r)
	s.belief.expect(s.expect(r, hint), &s.noise)
	h, ok, err := s.settle(ctx, s.mode, r.CV, (*belief).answering)
	switch {
	case err != nil || !ok:
		return Reading{Register: r}, err
	case h == absent:
		return Reading{Register: r, State: Absent}, nil
	}
	return s.found(r, hint, h), nil
}
