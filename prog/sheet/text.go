package sheet

import (
	"fmt"
	"maps"
	"slices"
	"strconv"

	"fettle/nmra/cv"
	"fettle/nmra/cv/regtoml"
	"fettle/prog/regset"
)

// format is the version of both files, their first line when they are written. A file without one is of version 1.
const format = 1

func read[T any](path string, parse func(string, []byte) (T, error)) (T, error) {
	data, err := regset.ReadFile(path)
	if err != nil {
		var zero T
		return zero, err
	}
	return parse(path, data)
}

// row is a table whose key is a register or a range.
type row struct {
	key       regtoml.Key
	registers []cv.Register
	table     *regtoml.Table
}

// keyed gives the tables below t, in file order: those whose keys are right and name no register a second time.
func keyed(t *regtoml.Table) []row {
	var rows []row
	seen := map[cv.Register]bool{}
	for _, k := range t.Keys() {
		rs, err := cv.ParseRange(k.Name)
		if err != nil {
			t.KeyErrorf(k, "%v", err)
			continue
		}
		sub, ok := t.Table(k.Name)
		for _, r := range rs {
			if seen[r] {
				t.KeyErrorf(k, "found register %v a second time, want it once", r)
				ok = false
				break
			}
		}
		for _, r := range rs {
			seen[r] = true
		}
		if ok {
			rows = append(rows, row{k, rs, sub})
		}
	}
	return rows
}

// key writes registers that follow each other as the key of a table.
func key(run []cv.Register) string { return regtoml.Name(cv.Ranges(run)[0]) }

func appendMask(b []byte, key string, mask uint8) []byte {
	return fmt.Appendf(b, "%s = 0b%04b_%04b\n", key, mask>>4, mask&15)
}

func appendByteRanges(b []byte, values []cv.ByteRange) []byte {
	if len(values) == 0 {
		return b
	}
	return regtoml.AppendList(b, "values", values, func(v cv.ByteRange) string { return regtoml.Quote(v.String()) })
}

// Append appends the canonical text of the sheet: in order, name and note of every entry, though they be empty, as places to fill in.
func (s Sheet) Append(b []byte) []byte {
	b = fmt.Appendf(b, "format = %d\n", format)
	if s.Title != "" {
		b = fmt.Appendf(b, "title = %s\n", regtoml.Quote(s.Title))
	}
	for _, list := range []struct {
		key   string
		items []string
	}{
		{"from", s.From}, {"groups", s.Groups}, {"absent", cv.Ranges(s.Absent)}, {"changing", cv.Ranges(s.Changing)}, {"pages", words(s.Pages)},
	} {
		if len(list.items) > 0 {
			b = regtoml.AppendList(b, list.key, list.items, regtoml.Quote)
		}
	}
	b = s.Decoder.Append(b)
	if len(s.Entries) == 0 {
		return append(b, "\n[registers]\n"...)
	}
	for _, e := range s.Entries {
		b = e.append(b)
	}
	return b
}

func words(pages []cv.Page) []string {
	out := make([]string, len(pages))
	for i, p := range pages {
		out[i] = p.String()
	}
	return out
}

func (e Entry) append(b []byte) []byte {
	b = fmt.Appendf(b, "\n[registers.%s]\nname = %s\n", key(e.Registers), regtoml.Quote(e.Name))
	if e.Group != "" {
		b = fmt.Appendf(b, "group = %s\n", regtoml.Quote(e.Group))
	}
	if e.ReadOnly {
		b = append(b, "read_only = true\n"...)
	}
	if e.Mask != 0 {
		b = appendMask(b, "mask", e.Mask)
	}
	if e.Fixed != 0 {
		b = appendMask(b, "fixed", e.Fixed)
	}
	b = appendByteRanges(b, e.Values)
	b = appendBytes(b, "default", e.Default)
	b = appendBytes(b, "held", e.Held)
	for _, n := range slices.Sorted(maps.Keys(e.Bits)) {
		b = fmt.Appendf(b, "bits.%d = %s\n", n, regtoml.Quote(e.Bits[n]))
	}
	return fmt.Appendf(b, "note = %s\n", regtoml.Quote(e.Note))
}

func appendBytes(b []byte, key string, values []uint8) []byte {
	switch len(values) {
	case 0:
		return b
	case 1:
		return fmt.Appendf(b, "%s = %d\n", key, values[0])
	}
	return regtoml.AppendList(b, key, values, func(v uint8) string { return strconv.Itoa(int(v)) })
}
