package regtoml

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"fettle/nmra/cv"
)

const wantByte = "a value from 0 to 255"

// Values gets a table of what registers hold: 3 = 12, "67-70" = [2, 5, 9, 14], "260@16.3" = 7. A range has a list, with one value for
// each register. The same register twice is an error, through a range too.
func (t *Table) Values(key string) (cv.Values, bool) { return t.values(key, false) }

// ValuesShort is as [Table.Values], but the list of a range may be shorter than the range: the rest is 0.
func (t *Table) ValuesShort(key string) (cv.Values, bool) { return t.values(key, true) }

func (t *Table) values(key string, short bool) (cv.Values, bool) {
	sub, ok := t.Table(key)
	if !ok {
		return nil, false
	}
	values := cv.Values{}
	sub.registers = map[cv.Register]Key{}
	for _, k := range sub.Keys() {
		rs, err := sub.source.notation.Range(k.Name)
		if err != nil {
			sub.KeyErrorf(k, "%v", err)
			ok = false
			continue
		}
		bytes, right := sub.bytes(k.Name, rs, short)
		once := sub.claim(k, rs)
		ok = ok && right && once
		if ok {
			for i, r := range rs {
				values[r] = bytes[i]
			}
		}
	}
	if !ok {
		return nil, false
	}
	return values, true
}

// bytes gets the value of one register, or the values of a range.
func (t *Table) bytes(key string, rs []cv.Register, short bool) ([]uint8, bool) {
	out := make([]uint8, len(rs))
	if len(rs) == 1 {
		n, ok := t.byte(t.byName[key].value)
		out[0] = n
		return out, ok
	}
	v, ok := t.get(key, "a list of values from 0 to 255, one for each register of "+key, list)
	switch {
	case !ok:
		return nil, false
	case len(v.items) > len(rs) && short:
		t.Errorf(key, "found a list of %d values, want at most %d, one for each register of %s", len(v.items), len(rs), key)
		return nil, false
	case len(v.items) != len(rs) && !short:
		t.Errorf(key, "found a list of %d values, want %d, one for each register of %s", len(v.items), len(rs), key)
		return nil, false
	}
	for i, item := range v.items {
		n, right := t.byte(item)
		out[i], ok = n, ok && right
	}
	return out, ok
}

func (t *Table) byte(v value) (uint8, bool) {
	if v.kind == integer {
		if n, err := strconv.ParseUint(strings.TrimPrefix(strings.ReplaceAll(v.text, "_", ""), "+"), 0, 8); err == nil {
			return uint8(n), true
		}
	}
	t.source.note(v.offset, "found %v, want %s", v, wantByte)
	return 0, false
}

// claim notes a register that an earlier key has named already.
func (t *Table) claim(k Key, rs []cv.Register) bool {
	for _, r := range rs {
		if first, twice := t.registers[r]; twice {
			t.KeyErrorf(k, "found register %v a second time, want it once; the first is on line %d", r, t.source.line(first.offset))
			return false
		}
		t.registers[r] = k
	}
	return true
}

// Bits gets a table of single bits: 29.3 = true, "260@16.3.5" = false. TOML reads 29.3 as key 3 of table 29; with quotes it is one
// key. Both mean bit 3 of register 29, and the same bit twice is an error.
func (t *Table) Bits(key string) (map[cv.Bit]bool, bool) {
	sub, ok := t.Table(key)
	if !ok {
		return nil, false
	}
	bits := map[cv.Bit]bool{}
	sub.bits = map[cv.Bit]Key{}
	if !sub.collectBits("", sub, bits) {
		return nil, false
	}
	return bits, true
}

// collectBits takes the bits of a table below whole, whose keys stand behind prefix.
func (t *Table) collectBits(prefix string, whole *Table, bits map[cv.Bit]bool) bool {
	// The longest name has four parts, all dotted: 260 is quoted with its page, as "260@16".3.5.
	const mostDots = 3
	ok := true
	for _, k := range t.Keys() {
		name := prefix + k.Name
		if v := t.byName[k.Name].value; v.kind == table && strings.Count(name, ".") < mostDots {
			sub, _ := t.Table(k.Name)
			ok = sub.collectBits(name+".", whole, bits) && ok
			continue
		}
		bit, err := t.source.notation.Bit(name)
		if err != nil {
			t.KeyErrorf(k, "%v", err)
			ok = false
			continue
		}
		if first, twice := whole.bits[bit]; twice {
			t.KeyErrorf(k, "found bit %v a second time, want it once; the first is on line %d", bit, t.source.line(first.offset))
			ok = false
			continue
		}
		on, right := t.Bool(k.Name)
		whole.bits[bit], bits[bit], ok = k, on, ok && right
	}
	return ok
}

// RegisterErrorf notes an error where the table key, read by [Table.Values], names the register; at the table where it does not.
func (t *Table) RegisterErrorf(key string, r cv.Register, format string, args ...any) {
	if e := t.byName[key]; e != nil && e.value.kind == table {
		if k, named := e.value.table.registers[r]; named {
			t.KeyErrorf(k, format, args...)
			return
		}
	}
	t.Errorf(key, format, args...)
}

// BitErrorf notes an error where the table key, read by [Table.Bits], names the bit; at the table where it does not.
func (t *Table) BitErrorf(key string, b cv.Bit, format string, args ...any) {
	if e := t.byName[key]; e != nil && e.value.kind == table {
		if k, named := e.value.table.bits[b]; named {
			t.KeyErrorf(k, format, args...)
			return
		}
	}
	t.Errorf(key, format, args...)
}

// RegisterRanges gets a list of registers and ranges, as ["7", "112-115"], and gives them in order. The same register twice is an error.
func (t *Table) RegisterRanges(key string) ([]cv.Register, bool) {
	seen := map[cv.Register]bool{}
	ranges, ok := items(t, key, `a list of registers and ranges in quotes, as ["7", "112-115"]`, func(v value) ([]cv.Register, bool) {
		if v.kind != text {
			t.source.note(v.offset, `found %v, want a register or a range in quotes, as "7" or "112-115"`, v)
			return nil, false
		}
		rs, err := cv.ParseRange(v.text)
		if err != nil {
			t.source.note(v.offset, "%v", err)
			return nil, false
		}
		for _, r := range rs {
			if seen[r] {
				t.source.note(v.offset, "found register %v a second time in the list, want it once", r)
				return nil, false
			}
			seen[r] = true
		}
		return rs, true
	})
	if !ok {
		return nil, false
	}
	rs := slices.Concat(ranges...)
	slices.SortFunc(rs, cv.Register.Compare)
	return rs, true
}

// Pages gets a list of index pages, as ["16.0", "16.3"], and gives them in order. The same page twice is an error.
func (t *Table) Pages(key string) ([]cv.Page, bool) {
	seen := map[cv.Page]bool{}
	pages, ok := items(t, key, `a list of index pages in quotes, as ["16.0", "16.3"]`, func(v value) (cv.Page, bool) {
		if v.kind != text {
			t.source.note(v.offset, `found %v, want an index page in quotes, as "16.3"`, v)
			return cv.Page{}, false
		}
		p, err := cv.ParsePage(v.text)
		switch {
		case err != nil:
			t.source.note(v.offset, "%v", err)
		case seen[p]:
			t.source.note(v.offset, "found page %v a second time in the list, want it once", p)
		}
		right := err == nil && !seen[p]
		seen[p] = true
		return p, right
	})
	if !ok {
		return nil, false
	}
	slices.SortFunc(pages, cv.Page.Compare)
	return pages, true
}

// ByteRanges gets a list of values and ranges of them, as ["0-60", "255"]. They ascend, with a gap between each and the next.
func (t *Table) ByteRanges(key string) ([]cv.ByteRange, bool) {
	const want = `a list of values and ranges in quotes, as ["0-60", "255"]`
	next := 0 // the least value that may follow
	return items(t, key, want, func(v value) (cv.ByteRange, bool) {
		if v.kind != text {
			t.source.note(v.offset, `found %v, want values in quotes, as "0-60" or "255"`, v)
			return cv.ByteRange{}, false
		}
		b, err := cv.ParseByteRange(v.text)
		switch {
		case err != nil:
			t.source.note(v.offset, "%v", err)
		case int(b.Low) < next:
			t.source.note(v.offset, "found values %v, want them to ascend, one range for those that follow each other", b)
			return b, false
		default:
			next = int(b.High) + 2
		}
		return b, err == nil
	})
}

// Bytes gets the values of n registers: one value, or for several a list with one for each.
func (t *Table) Bytes(key string, n int) ([]uint8, bool) {
	want := wantByte
	kinds := []kind{integer}
	if n > 1 {
		want, kinds = fmt.Sprintf("a list of %d values from 0 to 255, one for each register", n), []kind{list}
	}
	v, ok := t.get(key, want, kinds...)
	if !ok {
		return nil, false
	}
	if n == 1 {
		one, ok := t.byte(v)
		return []uint8{one}, ok
	}
	if len(v.items) != n {
		t.source.note(v.offset, "found a list of %d values, want %d, one for each register", len(v.items), n)
		return nil, false
	}
	out := make([]uint8, n)
	for i, item := range v.items {
		one, right := t.byte(item)
		out[i], ok = one, ok && right
	}
	return out, ok
}
