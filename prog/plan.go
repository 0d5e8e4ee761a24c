package prog

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/prog/journal"
	"fettle/prog/regset"
)

// Plan is what a batch is to do: each register that it wants, in the order in which they are written.
type Plan struct {
	Title   string
	Decoder journal.Decoder
	Steps   []Step

	key  *uint8 // first of all this is written to CV 15, to unlock the decoder
	pair bool   // CV 17 was written before, and CV 18 has to be, for it to take effect
}

// Step is one register of a plan.
type Step struct {
	Register cv.Register
	Before   Reading
	Wanted   uint8
	Kept     bool   // nobody asked for it: it is to hold what it held, though writing another touches it
	Why      string // why it has its place in the order; "" where any place would do
}

// Changes says whether the step has something to write.
func (p Step) Changes() bool { return p.Before.State == Proven && p.Before.Value != p.Wanted }

// OtherDecoder is the error of a batch that is for another decoder than the one on the track. It has written nothing.
type OtherDecoder struct {
	Register    cv.Register // CV 8 or CV 7
	Found, Want uint8
}

func (e OtherDecoder) Error() string {
	what := "maker"
	if e.Register == versionRegister {
		what = "version"
	}
	return fmt.Sprintf("this is for a decoder whose %s (register %v) is %d, but the one on the track says %d",
		what, e.Register, e.Want, e.Found)
}

// Prepare reads what a register set is about to change, and plans it. It refuses a decoder that the set is not for
// ([OtherDecoder]). It writes nothing, but for CV 31 and 32 where the set has registers on index pages.
func Prepare(ctx context.Context, s *Session, set regset.Set) (Plan, error) {
	d, err := s.guard(ctx, set.Decoder.Maker, set.Decoder.Version)
	if err != nil {
		return Plan{}, err
	}
	readings, err := s.readAll(ctx, "reading", set.Needs(), nil, careful, nil)
	if err != nil {
		return Plan{}, err
	}
	wanted, err := resolve(set, held(readings))
	if err != nil {
		return Plan{}, err
	}
	if wanted, readings, err = s.onPages(ctx, wanted, readings); err != nil {
		return Plan{}, err
	}
	return s.plan(ctx, set.Title, d, wanted, readings)
}

// onPages names the registers that are wanted on no page by the page that is chosen, so that they are found again when another one is.
func (s *Session) onPages(ctx context.Context, wanted cv.Values,
	readings map[cv.Register]Reading) (cv.Values, map[cv.Register]Reading, error) {
	paged, found := cv.Values{}, map[cv.Register]Reading{}
	for _, r := range wanted.Registers() {
		on, err := s.onPage(ctx, r)
		if err != nil {
			return nil, nil, err
		}
		if v, twice := paged[on]; twice && v != wanted[r] {
			return nil, nil, fmt.Errorf("registers %v and %v are one, and %d and %d are wanted of it: page %v is chosen now",
				r, on, wanted[r], v, on.Page)
		}
		paged[on] = wanted[r]
		if got, ok := readings[r]; ok {
			got.Register = on
			found[on] = got
		}
	}
	return paged, found, nil
}

// onPage is the register with the index page that it stands on now. A decoder without pages, or on none, leaves it as it is.
func (s *Session) onPage(ctx context.Context, r cv.Register) (cv.Register, error) {
	if !r.Indexed() || r.Page != (cv.Page{}) {
		return r, nil
	}
	high, err := s.Read(ctx, indexHigh)
	if err != nil || high.State != Proven || high.Value < cv.FirstPage {
		return r, err
	}
	low, err := s.Read(ctx, indexLow)
	if err != nil || low.State != Proven {
		return r, err
	}
	r.Page = cv.Page{High: high.Value, Low: low.Value}
	return r, nil
}

// resolve gives the bytes of a set for a decoder that holds what held says. A register that is absent, or not proven, is never
// written: what its other bits would be is of no account.
func resolve(set regset.Set, held cv.Values) (cv.Values, error) {
	base := maps.Clone(held)
	for _, r := range set.Needs() {
		base[r] += 0
	}
	return set.Wanted(base)
}

// Admit refuses a decoder that a register set is not for ([OtherDecoder]).
func Admit(ctx context.Context, s *Session, set regset.Set) error {
	_, err := s.guard(ctx, set.Decoder.Maker, set.Decoder.Version)
	return err
}

// guard refuses a decoder of another maker or version than is wanted; nil wants any. It says which decoder it is.
func (s *Session) guard(ctx context.Context, maker, version *uint8) (journal.Decoder, error) {
	if _, err := s.endReset(ctx); err != nil {
		return journal.Decoder{}, err
	}
	d, err := s.Decoder(ctx)
	switch {
	case err != nil:
		return journal.Decoder{}, err
	case maker != nil && d.Maker != *maker:
		return d, OtherDecoder{makerRegister, d.Maker, *maker}
	case version != nil && d.Version != *version:
		return d, OtherDecoder{versionRegister, d.Version, *version}
	}
	return d, nil
}

// plan puts registers in order, with those that have to be put back. readings says what they held; what it lacks is read.
func (s *Session) plan(ctx context.Context, title string, d journal.Decoder, wanted cv.Values,
	readings map[cv.Register]Reading) (Plan, error) {
	p := Plan{Title: title, Decoder: d}
	kept := kept(wanted)
	var unread []cv.Register
	for _, r := range slices.Concat(wanted.Registers(), kept) {
		if _, known := readings[r]; !known {
			unread = append(unread, r)
		}
	}
	slices.SortFunc(unread, cv.Register.Compare)
	more, err := s.readAll(ctx, "reading", unread, nil, careful, nil)
	if err != nil {
		return Plan{}, err
	}
	maps.Copy(more, readings)
	for r, value := range wanted {
		p.Steps = append(p.Steps, Step{Register: r, Before: more[r], Wanted: value})
	}
	for _, r := range kept {
		if before := more[r]; before.State == Proven {
			p.Steps = append(p.Steps, Step{Register: r, Before: before, Wanted: before.Value, Kept: true})
		}
	}
	p.order()
	return p, nil
}

// kept lists the registers that nobody asked for but that writing the wanted ones touches: those that the decoder changes along
// with them, the other one of the pair 17 and 18, and of 15 and 16.
func kept(wanted cv.Values) []cv.Register {
	also := cv.Values{}
	for r := range wanted {
		for _, other := range changedBy(r) {
			also[other] = 0
		}
		switch r.CV {
		case 15:
			also[cv.Register{CV: 16}] = 0
		case 16:
			also[cv.Register{CV: 15}] = 0
		case 17:
			also[cv.Register{CV: 18}] = 0
		}
	}
	maps.DeleteFunc(also, func(r cv.Register, _ uint8) bool { _, asked := wanted[r]; return asked })
	return also.Registers()
}

// order sorts the steps so that none undoes another, and says why.
func (p *Plan) order() {
	lock, key := p.find(15), p.find(16)
	unlocks := lock != nil && key != nil && lock.Before.Value != key.Before.Value && lock.Wanted == key.Before.Value
	place := func(st Step) (rank int, why string) {
		switch c := st.Register.CV; {
		case c == 15 && unlocks:
			return 0, "first: it unlocks the decoder"
		case c == 1:
			return 1, "before 19 and 29: writing it clears 19 and bit 5 of 29"
		case c == 15:
			return 6, "last: the decoder is locked while it differs from 16"
		case c == 16:
			return 5, "after all that it could lock"
		case c == 31 || c == 32:
			return 4, "after the registers on index pages, which need it otherwise"
		case st.Register.Page != (cv.Page{}):
			return 3, "31 and 32 are set to its page first, and put back in the end"
		case c == 17:
			return 2, "before 18, with which it takes effect"
		case c == 29 && p.find(17) != nil:
			return 2, "after 17 and 18, whose address its bit 5 chooses"
		case c == 19 && st.Kept, c == 29 && st.Kept:
			return 2, "put back after 1, which changes it"
		}
		return 2, ""
	}
	for i := range p.Steps {
		_, p.Steps[i].Why = place(p.Steps[i])
	}
	slices.SortStableFunc(p.Steps, func(a, b Step) int {
		rankA, _ := place(a)
		rankB, _ := place(b)
		return cmp.Or(cmp.Compare(rankA, rankB), a.Register.Compare(b.Register))
	})
}

// find gives the step of a register that is on no page.
func (p *Plan) find(c nmra.CV) *Step {
	for i, st := range p.Steps {
		if st.Register == (cv.Register{CV: c}) {
			return &p.Steps[i]
		}
	}
	return nil
}

// held gives the values that were proven.
func held(readings map[cv.Register]Reading) cv.Values {
	v := cv.Values{}
	for r, got := range readings {
		if got.State == Proven {
			v[r] = got.Value
		}
	}
	return v
}
