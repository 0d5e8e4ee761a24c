package regset

import (
	"fmt"
	"slices"
	"strconv"
	"time"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/nmra/cv/regtoml"
)

// format is the version of both files, their first line when they are written. A file without one is of version 1.
const format = 1

func parseFormat(root *regtoml.Table) { root.Int("format", format, format) }

// ParseGuard reads the table "decoder" of a file, which may be missing. What is wrong with it is noted there.
func ParseGuard(root *regtoml.Table) Guard {
	var g Guard
	t, ok := root.Table("decoder")
	if !ok {
		return g
	}
	if n, ok := t.Int("maker", 0, 255); ok {
		maker := uint8(n)
		g.Maker = &maker
	}
	if n, ok := t.Int("version", 0, 255); ok {
		version := uint8(n)
		g.Version = &version
	}
	return g
}

// Append appends the canonical text of the set.
func (s Set) Append(b []byte) []byte {
	b = fmt.Appendf(b, "format = %d\n", format)
	if s.Title != "" {
		b = fmt.Appendf(b, "title = %s\n", regtoml.Quote(s.Title))
	}
	b = s.Decoder.Append(b)
	switch s.Address.Kind {
	case nmra.Long:
		b = fmt.Appendf(b, "\n[address]\nlong = %d\n", s.Address.Number)
	case nmra.Short:
		b = fmt.Appendf(b, "\n[address]\nshort = %d\n", s.Address.Number)
	}
	if len(s.Registers) > 0 {
		b = appendValues(b, s.Registers)
	}
	if len(s.Bits) > 0 {
		b = append(b, "\n[bits]\n"...)
		for _, n := range s.named() {
			if n.table == "bits" {
				bit := cv.Bit{Register: n.register, Bit: n.bit}
				b = fmt.Appendf(b, "%s = %t\n", regtoml.Name(bit.String()), s.Bits[bit])
			}
		}
	}
	return b
}

// Append appends the canonical text of the survey. When is written in UTC.
func (s Survey) Append(b []byte) []byte {
	b = fmt.Appendf(b, "format = %d\nwhen = %s\n", format, s.When.UTC().Format(time.RFC3339Nano))
	if s.Station != "" {
		b = fmt.Appendf(b, "station = %s\n", regtoml.Quote(s.Station))
	}
	for _, list := range []struct {
		key       string
		registers []cv.Register
	}{{"of", s.Of}, {"absent", s.Absent}, {"unsure", s.Unsure}, {"changing", s.Changing}, {"left", s.Left}, {"once", s.Once}} {
		if len(list.registers) > 0 {
			b = regtoml.AppendList(b, list.key, cv.Ranges(list.registers), regtoml.Quote)
		}
	}
	if s.Pages != nil {
		pages := slices.Clone(s.Pages)
		slices.SortFunc(pages, cv.Page.Compare)
		b = regtoml.AppendList(b, "pages", slices.Compact(pages), func(p cv.Page) string { return regtoml.Quote(p.String()) })
	}
	return appendValues(s.Decoder.Append(b), s.Registers)
}

// Append appends the table "decoder", as [ParseGuard] reads it; nothing for the zero Guard.
func (g Guard) Append(b []byte) []byte {
	if g == (Guard{}) {
		return b
	}
	b = append(b, "\n[decoder]\n"...)
	if g.Maker != nil {
		b = fmt.Appendf(b, "maker = %d\n", *g.Maker)
	}
	if g.Version != nil {
		b = fmt.Appendf(b, "version = %d\n", *g.Version)
	}
	return b
}

func appendValues(b []byte, values cv.Values) []byte {
	b = append(b, "\n[registers]\n"...)
	for _, run := range cv.Runs(values.Registers()) {
		for _, rs := range pieces(run) {
			key := regtoml.Name(cv.Ranges(rs)[0])
			if len(rs) == 1 {
				b = fmt.Appendf(b, "%s = %d\n", key, values[rs[0]])
			} else {
				b = regtoml.AppendList(b, key, rs, func(r cv.Register) string { return strconv.Itoa(int(values[r])) })
			}
		}
	}
	return b
}

// pieces splits a long run before each register that ends in 0, so that a reader can count to the one that he looks for. The speed
// table, of 28, stays whole.
func pieces(run []cv.Register) [][]cv.Register {
	const long = 32
	if len(run) <= long {
		return [][]cv.Register{run}
	}
	var out [][]cv.Register
	start := 0
	for i := 1; i <= len(run); i++ {
		if i == len(run) || run[i].CV%10 == 0 {
			out, start = append(out, run[start:i]), i
		}
	}
	return out
}
