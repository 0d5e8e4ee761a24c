package regset

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/nmra/cv/regtoml"
)

// format is the version of both files, their first line when they are written. A file without one is of version 1.
const format = 1

func parseFormat(root *regtoml.Table) { root.Int("format", format, format) }

func parseGuard(root *regtoml.Table) Guard {
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
		b = fmt.Appendf(b, "title = %s\n", quote(s.Title))
	}
	b = s.Decoder.append(b)
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
				b = fmt.Appendf(b, "%s = %t\n", name(bit.String()), s.Bits[bit])
			}
		}
	}
	return b
}

// Append appends the canonical text of the survey. When is written in UTC.
func (s Survey) Append(b []byte) []byte {
	b = fmt.Appendf(b, "format = %d\nwhen = %s\n", format, s.When.UTC().Format(time.RFC3339Nano))
	if s.Station != "" {
		b = fmt.Appendf(b, "station = %s\n", quote(s.Station))
	}
	for _, list := range []struct {
		key       string
		registers []cv.Register
	}{{"absent", s.Absent}, {"unsure", s.Unsure}, {"changing", s.Changing}} {
		if len(list.registers) > 0 {
			b = appendList(b, list.key, cv.Ranges(list.registers), quote)
		}
	}
	if len(s.Pages) > 0 {
		pages := slices.Clone(s.Pages)
		slices.SortFunc(pages, cv.Page.Compare)
		b = appendList(b, "pages", slices.Compact(pages), func(p cv.Page) string { return quote(p.String()) })
	}
	return appendValues(s.Decoder.append(b), s.Registers)
}

func (g Guard) append(b []byte) []byte {
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
			key := name(cv.Ranges(rs)[0])
			if len(rs) == 1 {
				b = fmt.Appendf(b, "%s = %d\n", key, values[rs[0]])
			} else {
				b = appendList(b, key, rs, func(r cv.Register) string { return strconv.Itoa(int(values[r])) })
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

// appendList writes a list, on several lines where it is long.
func appendList[T any](b []byte, key string, items []T, text func(T) string) []byte {
	const width = 100
	b = append(b, key+" = ["...)
	column := len(key) + len(" = [")
	for i, item := range items {
		one := text(item)
		if i > 0 {
			one = ", " + one
		}
		if column+len(one) > width {
			one = strings.TrimPrefix(one, ", ")
			b = append(b, ",\n  "...)
			column = len("  ")
		}
		b = append(b, one...)
		column += len(one)
	}
	return append(b, "]\n"...)
}

// name writes a register, a range or a bit as a TOML key: without quotes only a number, and a bit of a register without a page, which
// TOML takes for a dotted key.
func name(notation string) string {
	if strings.ContainsAny(notation, "@-") {
		return quote(notation)
	}
	return notation
}

// quote writes text as a TOML string. What would not read back, since it does not print, becomes U+FFFD.
func quote(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
		case !unicode.IsPrint(r):
			r = unicode.ReplacementChar
		}
		b.WriteRune(r)
	}
	b.WriteByte('"')
	return b.String()
}
