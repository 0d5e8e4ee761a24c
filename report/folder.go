package report

import (
	"fmt"
	"slices"
	"time"

	"fettle/nmra/cv"
	"fettle/prog/journal"
	"fettle/prog/regset"
)

// Decoders is which types of decoder the folder speaks of, each once. The first is the one that it is about: that of the survey that says what it
// holds, else of the newest file. More than one: files of another decoder have got among them.
func (f Folder) Decoders() []regset.Guard {
	type told struct {
		guard regset.Guard
		when  time.Time
	}
	var all []told
	for _, s := range f.Surveys {
		all = append(all, told{s.decoder(), s.When})
	}
	for _, j := range f.Journals {
		all = append(all, told{j.decoder(), j.last()})
	}
	for _, p := range f.Probes {
		all = append(all, told{p.Decoder, p.When})
	}
	slices.SortStableFunc(all, func(a, b told) int { return b.when.Compare(a.when) })
	if holds, ok := f.Holds(); ok {
		all = slices.Insert(all, 0, told{holds.decoder(), holds.When})
	}
	var kinds []regset.Guard
next:
	for _, one := range all {
		if one.guard == (regset.Guard{}) {
			continue
		}
		for i, g := range kinds {
			if both, ok := g.And(one.guard); ok {
				kinds[i] = both
				continue next
			}
		}
		kinds = append(kinds, one.guard)
	}
	return kinds
}

// decoder is the type of decoder that a survey is of, from its registers where it does not say.
func (s Survey) decoder() regset.Guard {
	g := s.Decoder
	for number, to := range map[cv.Register]**uint8{{CV: cv.Maker}: &g.Maker, {CV: cv.Version}: &g.Version} {
		if v, ok := s.Registers[number]; ok && *to == nil {
			*to = &v
		}
	}
	return g
}

// decoder is the type of decoder that a batch was for.
func (j Journal) decoder() regset.Guard {
	maker, version := j.Decoder.Maker, j.Decoder.Version
	return regset.Guard{Maker: &maker, Version: &version}
}

// Holds is the last survey that came to its end. ok is false where there is none.
func (f Folder) Holds() (s Survey, ok bool) {
	for _, one := range slices.Backward(f.Surveys) {
		if !one.Unfinished() {
			return one, true
		}
	}
	return Survey{}, false
}

// Sheet is the sheet that is for the decoder of the folder, where there are several the one that says most exactly for which it is; the zero Sheet
// where there is none. Where nothing says which decoder it is, a sheet that is alone counts.
func (f Folder) Sheet() (best Sheet) {
	decoders := f.Decoders()
	if len(decoders) == 0 {
		if len(f.Sheets) == 1 {
			return f.Sheets[0]
		}
		return Sheet{}
	}
	exact := -1
	for _, s := range f.Sheets {
		said := 0
		for _, is := range []bool{s.Decoder.Maker != nil, s.Decoder.Version != nil} {
			if is {
				said++
			}
		}
		if _, ok := s.Decoder.And(decoders[0]); ok && said > exact {
			best, exact = s, said
		}
	}
	return best
}

// Defaults is what a reset leaves, and where that is known from, in words: the sheet, else a survey that followed a reset before anything else was
// written, else what was read in the batch of the reset itself. A reset of which nothing is seen proves nothing. It is nil where none of them says.
func (f Folder) Defaults() (values cv.Values, from string) {
	s := f.Sheet()
	values = cv.Values{}
	for _, e := range s.Entries {
		for n, v := range e.Default {
			values[e.Registers[n]] = v
		}
	}
	if len(values) > 0 {
		return values, "the sheet " + s.File
	}
	for _, s := range slices.Backward(f.Surveys) {
		at, certain := f.place(s)
		if at == 0 || !certain || s.Unfinished() || !f.Journals[at-1].reset() || !sameKind(s.decoder(), f.Journals[at-1].decoder()) {
			continue
		}
		values = cv.Values{}
		for r, v := range s.Registers {
			if !slices.Contains(s.Changing, r) && !r.Volatile() {
				values[r] = v
			}
		}
		return values, fmt.Sprintf("the survey %s, taken straight after the reset of %s", s.File, clock(f.Journals[at-1].When))
	}
	for _, j := range slices.Backward(f.Journals) {
		if j.reset() {
			return j.Found, fmt.Sprintf("what was read straight after the reset of %s, in %s", clock(j.When), j.File)
		}
	}
	return nil, ""
}

// clock is an instant in words.
func clock(t time.Time) string { return t.UTC().Format("2006-01-02 15:04 UTC") }

// sameKind says whether two files may be of one decoder.
func sameKind(a, b regset.Guard) bool {
	_, ok := a.And(b)
	return ok
}

// reset says whether the journal is that of a factory reset that is known to have had an effect: a register was read before and after it,
// and changed.
func (j Journal) reset() bool {
	if j.Batch != "reset" || j.Ended == "" {
		return false
	}
	for r, v := range j.Found {
		if old, known := j.Held[r]; known && old != v && !r.Volatile() {
			return true
		}
	}
	return false
}

// last is when something was last done in a batch, as far as its journal says.
func (j Journal) last() time.Time {
	if j.Resumed.After(j.When) {
		return j.Resumed
	}
	return j.When
}

// found is what was proven when all was read again.
func (j Journal) found() cv.Values {
	if j.Found == nil && j.Ended == journal.Proven { // journals did not always say what was found
		return j.Wanted
	}
	return j.Found
}

// place says how many of the journals came before a survey. A survey knows no more than the second in which it began, and on the bench much may be
// done in one: then what it holds tells, which is what one batch left and the next one met. certain: it can have been nowhere else. Where it can, the
// first place is given: what the batches after it did is then in what comes after.
func (f Folder) place(s Survey) (at int, certain bool) {
	began := s.When.Truncate(time.Second)
	var same []Journal
	for _, j := range f.Journals {
		switch order := j.last().Truncate(time.Second).Compare(began); {
		case order < 0:
			at++
		case order == 0:
			same = append(same, j)
		}
	}
	var fitting []int
	for n := range len(same) + 1 {
		if (n == 0 || agree(s, same[n-1].found())) && (n == len(same) || agree(s, same[n].Held)) {
			fitting = append(fitting, n)
		}
	}
	if len(fitting) == 0 {
		return at + len(same), false
	}
	return at + fitting[0], len(fitting) == 1
}

// agree says whether a survey holds nothing else than some values, as far as both go.
func agree(s Survey, values cv.Values) bool {
	for r, v := range values {
		if held, ok := s.Registers[r]; ok && held != v && !r.Volatile() {
			return false
		}
	}
	return true
}

// Held is what a register was last proven to hold.
type Held struct {
	Register cv.Register
	Value    uint8
	File     string    // that proves it
	When     time.Time // likewise
	Doubt    string    // why it may hold something else by now, in words; "" where nothing says so
}

// Now is what the decoder was last proven to hold, in the order of registers: by the survey of [Folder.Holds], and by what the batches after it found
// when all was read again. What a batch that was never read again may have changed is in doubt.
func (f Folder) Now() []Held {
	now := map[cv.Register]Held{}
	s, surveyed := f.Holds()
	for r, v := range s.Registers {
		now[r] = Held{Register: r, Value: v, File: s.File, When: s.When}
	}
	at := 0
	if surveyed {
		at, _ = f.place(s)
	}
	decoders := f.Decoders()
	for _, j := range f.Journals[at:] {
		if sameKind(decoders[0], j.decoder()) && j.Ended != journal.Undone { // that of the batch that undid it tells
			j.change(now)
		}
	}
	var all []Held
	for _, h := range now {
		all = append(all, h)
	}
	slices.SortFunc(all, func(a, b Held) int { return a.Register.Compare(b.Register) })
	return all
}

// change says what becomes of what is known by a batch.
func (j Journal) change(now map[cv.Register]Held) {
	doubt := func(r cv.Register, format string) {
		if h, known := now[r]; known {
			h.Doubt = fmt.Sprintf(format, j.File)
			now[r] = h
		}
	}
	if len(j.Writes) > 0 && j.Batch == "reset" {
		for r := range now {
			doubt(r, "the reset of %s may have changed it, and it was not read since")
		}
	}
	for _, w := range j.Writes {
		doubt(w.Register, "%s wrote to it, and did not prove what it holds since")
	}
	for r, v := range j.found() {
		now[r] = Held{Register: r, Value: v, File: j.File, When: j.last()}
	}
}

// Change is what a survey says otherwise than the one before it of the same type of decoder.
type Change struct {
	Before, After Survey
	Differences   regset.Comparison // A is Before, B is After; registers that change by themselves are left out
}

// Changes is what each survey says otherwise than the one before it, the oldest first. Where one was stopped before its end, what it has not come
// to is no difference.
func (f Folder) Changes() []Change {
	var all []Change
	for i, after := range f.Surveys {
		for _, before := range slices.Backward(f.Surveys[:i]) {
			if !sameKind(before.decoder(), after.decoder()) {
				continue
			}
			c := Change{Before: before, After: after}
			for _, row := range regset.Compare(before.Survey, after.Survey) {
				switch row.Agreement {
				case regset.Same, regset.Changing:
					continue
				case regset.OnlyInA:
					if after.Unfinished() {
						continue
					}
				case regset.OnlyInB:
					if before.Unfinished() {
						continue
					}
				}
				if !row.Register.Volatile() {
					c.Differences = append(c.Differences, row)
				}
			}
			all = append(all, c)
			break
		}
	}
	return all
}
