package sheet

import (
	"fmt"
	"slices"
	"strings"

	"fettle/nmra"
	"fettle/nmra/cv"
)

// fact is what was found out of one register.
type fact struct {
	entry   Entry    // of the register alone
	differs string   // what the surveys hold, where they hold different values
	remarks []string // what else is odd
}

// fact gathers what the surveys and the probe say of a register.
func (d *draft) fact(r cv.Register) fact {
	c, known := chapterOf(r), cv.Explain(r)
	f := fact{entry: Entry{Registers: []cv.Register{r}, Group: c.group}}
	e := &f.entry
	if c.named {
		e.Name = known.Name
	}
	held, all := d.held(r, &f)
	d.writing(r, all, &f)
	if e.Default != nil && !e.ReadOnly && !e.takes(255, e.Default[0]) {
		f.remarks = append(f.remarks, fmt.Sprintf("a reset leaves %d, which no write does", e.Default[0]))
		e.Held, e.Default = e.Default, nil
	}
	if e.Held == nil && held != nil && !slices.Equal(held, e.Default) {
		e.Held = held
	}
	for _, b := range known.Bits {
		if wrongName(b.Name) == "" && b.Name != "reserved" && (e.ReadOnly || (e.mask()|e.Fixed)>>b.Number&1 == 1) {
			if e.Bits == nil {
				e.Bits = map[uint8]string{}
			}
			e.Bits[b.Number] = b.Name
		}
	}
	return f
}

// held gives what a register held most often, and every value that was proven in it. What a reset left becomes the default.
func (d *draft) held(r cv.Register, f *fact) (most, all []uint8) {
	var said []string
	count := map[uint8]int{}
	for _, e := range d.surveys {
		s := e.Survey
		switch v, proven := s.Registers[r]; {
		case slices.Contains(s.Changing, r), r.Volatile():
		case proven && e.Reset:
			if d := f.entry.Default; d != nil && d[0] != v {
				f.remarks = append(f.remarks, fmt.Sprintf("a reset left %d in %s", v, e.Name))
			} else {
				f.entry.Default = []uint8{v}
			}
			all = append(all, v)
		case proven:
			count[v]++
			all = append(all, v)
			said = append(said, fmt.Sprintf("%d in %s", v, e.Name))
			if most == nil || count[v] > count[most[0]] {
				most = []uint8{v}
			}
		case slices.Contains(s.Absent, r):
			f.remarks = append(f.remarks, "absent in "+e.Name)
		case slices.Contains(s.Unsure, r):
			f.remarks = append(f.remarks, "not proven in "+e.Name)
		}
	}
	if len(count) > 1 {
		f.differs = strings.Join(said, ", ")
	}
	return most, all
}

// writing says of the entry what can be written, by the probe, else by the standard. all is every value that was found in the register.
func (d *draft) writing(r cv.Register, all []uint8, f *fact) {
	e, known := &f.entry, cv.Explain(r)
	found, probed := d.found[r]
	switch {
	case !probed:
		e.ReadOnly = known.ReadOnly
		if !e.ReadOnly && (known.Low != 0 || known.High != 255) {
			e.Values = []cv.ByteRange{{Low: known.Low, High: known.High}}
		}
		return
	case !found.Writable && found.LeftAlone == 0:
		e.ReadOnly = true
		return
	}
	e.Values = found.Values
	if len(all) == 0 {
		return // what the bits hold that don't change is not known
	}
	differ := uint8(0)
	for _, v := range all {
		differ |= v ^ all[0]
	}
	free := found.Mask | found.LeftAlone
	if odd := differ &^ free; odd != 0 {
		f.remarks = append(f.remarks, fmt.Sprintf("the probe could not change %s, though the surveys differ there", bitsOf(odd)))
	}
	if mask := free | differ; mask != 255 {
		e.Mask, e.Fixed = mask, all[0]&^mask
	}
}

// chapter is registers that are told of together. named: the standard's names are good ones for single registers.
type chapter struct {
	group       string
	first, last nmra.CV
	named       bool
}

// chapters are the groups of a draft, in the order in which they are read. Which registers go together is common practice, no source.
var chapters = [...]chapter{
	{"decoder", 7, 8, true},
	{"decoder", 105, 111, true},
	{"address", 1, 1, true},
	{"address", 17, 19, true},
	{"basics", 11, 16, true},
	{"basics", 28, 32, true},
	{"motion", 2, 6, true},
	{"motion", 9, 10, true},
	{"motion", 23, 25, true},
	{"motion", 65, 95, true},
	{"stopping", 27, 27, true},
	{"functions", 21, 22, true},
	{"functions", 33, 46, true},
	{"readings", 892, 895, true},
	{"readings", 880, 891, false},
	{"bus modules", 896, 1024, false},
	{"maker's own", 1, 1024, false}, // the rest
}

func chapterOf(r cv.Register) chapter {
	i := slices.IndexFunc(chapters[:], func(c chapter) bool { return r.CV >= c.first && r.CV <= c.last })
	return chapters[i]
}
