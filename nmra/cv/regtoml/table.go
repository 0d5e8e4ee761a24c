package regtoml

import (
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"fettle/nmra/cv"
)

// Table is a table of a file. Each getter asks for one key. Where the key is absent, ok is false and nothing is noted. Where it holds
// something else than was asked for, that is noted, to come out of [Document.Err], and the zero value is returned, ok false.
type Table struct {
	source  *source
	name    string
	offset  int
	from    origin
	byName  map[string]*entry
	entries []*entry        // in file order
	known   map[string]bool // keys that were asked for, there or not
	opened  bool            // it was asked for as a table

	registers map[cv.Register]Key // where Values found each
	bits      map[cv.Bit]Key      // where Bits found each
}

// Key is a key of a table, as it stands in the file.
type Key struct {
	Name        string // without quotes
	offset, end int
}

type entry struct {
	key   Key
	value value
}

type kind uint8

const (
	table kind = iota
	list
	text
	boolean
	integer
	float
	dateTime
	localTime
)

// value is a value as it stands in the file; text is that of a scalar, without the quotes of a string.
type value struct {
	kind   kind
	offset int
	text   string
	items  []value
	table  *Table
}

// String says what was found.
func (v value) String() string {
	switch v.kind {
	case table:
		return "a table"
	case list:
		return "a list"
	case text:
		return "text " + quote(v.text)
	case dateTime, localTime:
		return "the time " + v.text
	}
	if len(v.text) > 40 {
		return v.text[:40] + "…"
	}
	return v.text
}

// Has says whether the key is there, whatever it holds. It does not ask for it.
func (t *Table) Has(key string) bool { return t.byName[key] != nil }

// Require notes each of the keys that is absent.
func (t *Table) Require(keys ...string) {
	for _, key := range keys {
		t.known[key] = true
		if t.byName[key] != nil {
			continue
		}
		if t.name == "" {
			t.source.note(t.offset, "found no key %s, want one", quote(key))
		} else {
			t.source.note(t.offset, "found no key %s in %s, want one", quote(key), quote(t.name))
		}
	}
}

// Errorf notes an error at the value of a key; at the table itself where the key is absent.
func (t *Table) Errorf(key, format string, args ...any) {
	offset := t.offset
	if e := t.byName[key]; e != nil {
		offset = e.value.offset
	}
	t.source.note(offset, format, args...)
}

// KeyErrorf notes an error at a key.
func (t *Table) KeyErrorf(k Key, format string, args ...any) {
	t.source.note(k.offset, format, args...)
}

// Keys gives the keys of a table whose keys are data, in file order. They all count as asked for.
func (t *Table) Keys() []Key {
	keys := make([]Key, len(t.entries))
	for i, e := range t.entries {
		keys[i] = e.key
		t.known[e.key.Name] = true
	}
	return keys
}

// Table gets a table.
func (t *Table) Table(key string) (*Table, bool) {
	v, ok := t.get(key, "a table", table)
	if !ok {
		return nil, false
	}
	v.table.opened = true
	return v.table, true
}

// String gets text that prints on one line.
func (t *Table) String(key string) (string, bool) {
	v, ok := t.get(key, "text in quotes", text)
	if !ok || !t.prints(v) {
		return "", false
	}
	return v.text, true
}

// Bool gets true or false.
func (t *Table) Bool(key string) (isTrue, ok bool) {
	v, ok := t.get(key, "true or false", boolean)
	return v.text == "true", ok
}

// Int gets a whole number from min to max.
func (t *Table) Int(key string, min, max int64) (int64, bool) {
	v, ok := t.get(key, wantInt(min, max), integer)
	if !ok {
		return 0, false
	}
	return t.int(v, min, max)
}

// Ints gets a list of whole numbers, each from min to max.
func (t *Table) Ints(key string, min, max int64) ([]int64, bool) {
	return items(t, key, "a list, each "+wantInt(min, max), func(v value) (int64, bool) { return t.int(v, min, max) })
}

// Float gets a number from min to max, with a decimal point or without.
func (t *Table) Float(key string, min, max float64) (float64, bool) {
	want := "a number from " + strconv.FormatFloat(min, 'g', -1, 64) + " to " + strconv.FormatFloat(max, 'g', -1, 64)
	v, ok := t.get(key, want, float, integer)
	if !ok {
		return 0, false
	}
	digits := strings.ReplaceAll(v.text, "_", "")
	n, err := strconv.ParseFloat(digits, 64)
	if v.kind == integer {
		var whole int64
		whole, err = strconv.ParseInt(digits, 0, 64)
		n = float64(whole)
	}
	// Written so that what is not a number fails too.
	if err != nil || !(n >= min && n <= max) {
		t.source.note(v.offset, "found %v, want %s", v, want)
		return 0, false
	}
	return n, true
}

// Time gets an instant: a date and a time with its offset from UTC.
func (t *Table) Time(key string) (time.Time, bool) {
	const want = "a date and time with its zone, as 2026-11-25T07:41:03Z"
	v, ok := t.get(key, want, dateTime)
	if !ok {
		return time.Time{}, false
	}
	// TOML lets a space stand for the T, and small letters for both.
	when, err := time.Parse(time.RFC3339Nano, strings.ToUpper(strings.Replace(v.text, " ", "T", 1)))
	if err != nil {
		t.source.note(v.offset, "found %v, want %s", v, want)
		return time.Time{}, false
	}
	return when, true
}

// Strings gets a list of texts, each of which prints on one line.
func (t *Table) Strings(key string) ([]string, bool) {
	return items(t, key, "a list of texts in quotes", func(v value) (string, bool) {
		if v.kind != text {
			t.source.note(v.offset, "found %v, want text in quotes", v)
			return "", false
		}
		return v.text, t.prints(v)
	})
}

func items[T any](t *Table, key, want string, read func(value) (T, bool)) ([]T, bool) {
	v, ok := t.get(key, want, list)
	if !ok {
		return nil, false
	}
	out := make([]T, 0, len(v.items))
	for _, item := range v.items {
		one, right := read(item)
		out, ok = append(out, one), ok && right
	}
	if !ok {
		return nil, false
	}
	return out, true
}

// get asks for a key and for one of some kinds of value.
func (t *Table) get(key, want string, kinds ...kind) (value, bool) {
	t.known[key] = true
	e := t.byName[key]
	if e == nil {
		return value{}, false
	}
	if !slices.Contains(kinds, e.value.kind) {
		t.source.note(e.value.offset, "found %v, want %s", e.value, want)
		return value{}, false
	}
	return e.value, true
}

func wantInt(min, max int64) string {
	switch {
	case min == max:
		return strconv.FormatInt(min, 10)
	case min == math.MinInt64 && max == math.MaxInt64:
		return "a whole number"
	case max == math.MaxInt64:
		return "a whole number from " + strconv.FormatInt(min, 10)
	}
	return "a whole number from " + strconv.FormatInt(min, 10) + " to " + strconv.FormatInt(max, 10)
}

func (t *Table) int(v value, min, max int64) (int64, bool) {
	if v.kind == integer {
		if n, err := strconv.ParseInt(strings.ReplaceAll(v.text, "_", ""), 0, 64); err == nil && n >= min && n <= max {
			return n, true
		}
	}
	t.source.note(v.offset, "found %v, want %s", v, wantInt(min, max))
	return 0, false
}

// prints refuses text that would move a terminal's cursor, or hide what stands beside it.
func (t *Table) prints(v value) bool {
	for _, r := range v.text {
		if !unicode.IsPrint(r) {
			t.source.note(v.offset, "found the character %U in text, want text that prints on one line", r)
			return false
		}
	}
	return true
}

func (t *Table) add(k Key, v value) *entry {
	if v.table != nil {
		v.table.name = k.Name
	}
	e := &entry{k, v}
	t.byName[k.Name] = e
	t.entries = append(t.entries, e)
	return e
}

// noteUnknown notes the keys that nothing asked for, here and in the tables that were asked for.
func (t *Table) noteUnknown() {
	for _, e := range t.entries {
		if !t.known[e.key.Name] {
			t.source.note(e.key.offset, "found unknown key %s, want one of %s", quote(e.key.Name), strings.Join(slices.Sorted(maps.Keys(t.known)), ", "))
		} else if e.value.kind == table && e.value.table.opened {
			e.value.table.noteUnknown()
		}
	}
}
