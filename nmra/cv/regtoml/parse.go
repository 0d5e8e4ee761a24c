package regtoml

import (
	"bytes"
	"errors"
	"strings"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2/unstable"

	"fettle/nmra/cv"
)

// MaxBytes is the size of the largest file that is read.
const MaxBytes = 1 << 20

// maxParts bounds a dotted key, and so how much a hostile file can make of few bytes. Our deepest has five: bits, 260@16.3.5 all dotted.
const maxParts = 8

// Document is a file whose syntax is right.
type Document struct {
	source *source
	root   *Table
}

// Root is the table of the file itself.
func (d *Document) Root() *Table { return d.root }

// Err gives all that is wrong with the file as *[Errors], or nil: what the getters noted, and each key that none of them asked for.
func (d *Document) Err() error {
	d.root.noteUnknown()
	return d.source.errors()
}

// Notation is how keys name registers and bits. Each is nil for that of package cv.
type Notation struct {
	Range func(string) ([]cv.Register, error)
	Bit   func(string) (cv.Bit, error)
}

// Parse is [ParseWith] the notation of package cv.
func Parse(file string, data []byte) (*Document, error) { return ParseWith(file, data, Notation{}) }

// ParseWith reads the syntax of a file, in which [Table.Values] and [Table.Bits] take the names of a notation. It refuses more than [MaxBytes], what is not UTF-8, what is not TOML, and a file that says
// nothing; a byte order mark is skipped. file is the name in errors. Errors: *[Errors], of one.
func ParseWith(file string, data []byte, notation Notation) (*Document, error) {
	if len(data) > MaxBytes {
		return nil, Refuse(file, "found %d bytes, want at most %d", len(data), MaxBytes)
	}
	data = bytes.Clone(bytes.TrimPrefix(data, []byte("\ufeff")))
	s := newSource(file, data)
	s.notation = notation
	if s.notation.Range == nil {
		s.notation.Range = cv.ParseRange
	}
	if s.notation.Bit == nil {
		s.notation.Bit = cv.ParseBit
	}
	if at := notUTF8(data); at >= 0 {
		s.note(at, "found byte 0x%02X, want text in UTF-8", data[at])
		return nil, s.errors()
	}
	b := builder{source: s}
	root := b.table("", 0, byHeader)
	current, empty := root, true
	b.parser.Reset(data[:len(data):len(data)])
	for b.parser.NextExpression() {
		empty = false
		e := b.parser.Expression()
		keys, ok := b.keys(e)
		switch {
		case e.Kind == unstable.KeyValue && ok:
			b.keyValue(current, keys, e.Value())
		case e.Kind == unstable.Table && ok:
			current = b.header(root, keys)
		case e.Kind == unstable.ArrayTable && ok:
			s.note(keys[0].offset, "found a list of tables, want a table: [%s], once", keys[0].Name)
			fallthrough
		case e.Kind != unstable.KeyValue:
			current = b.table("", 0, byHeader) // belongs to nothing, so that what stands in it is not judged
		}
	}
	if err := b.parser.Error(); err != nil {
		b.syntax(err)
		return nil, s.errors()
	}
	if empty {
		return nil, Refuse(file, "found nothing but space and comments, want a file that says something")
	}
	return &Document{s, root}, nil
}

func notUTF8(b []byte) int {
	for i := 0; i < len(b); {
		r, n := utf8.DecodeRune(b[i:])
		if r == utf8.RuneError && n < 2 {
			return i
		}
		i += n
	}
	return -1
}

// origin is how a table came to be, which decides what may be added to it later in the file (TOML 1.0, "Table").
type origin uint8

const (
	byHeader origin = iota // [a]: closed to a second [a]
	implied                // a, by [a.b]: open to one [a]
	dotted                 // a, by a.b = 1: open to further dotted keys of the same table
	inline                 // a = { }: closed
)

// builder makes tables of what the parser sees.
type builder struct {
	source *source
	parser unstable.Parser
}

func (b *builder) table(name string, offset int, from origin) *Table {
	return &Table{source: b.source, name: name, offset: offset, from: from, byName: map[string]*entry{}, known: map[string]bool{}}
}

// keys gives the parts of a dotted key. Too many are noted, ok false.
func (b *builder) keys(n *unstable.Node) (keys []Key, ok bool) {
	for it := n.Key(); it.Next(); {
		k := it.Node()
		keys = append(keys, Key{Name: string(k.Data), offset: int(k.Raw.Offset), end: int(k.Raw.Offset + k.Raw.Length)})
	}
	if len(keys) > maxParts {
		b.source.note(keys[0].offset, "found a key of %d parts, want at most %d", len(keys), maxParts)
		return nil, false
	}
	return keys, true
}

// header opens the table of [a.b.c]. Where it may not be opened, that is noted and the table returned belongs to nothing.
func (b *builder) header(root *Table, keys []Key) *Table {
	t := root
	for i, k := range keys {
		last := i == len(keys)-1
		e := t.byName[k.Name]
		switch {
		case e == nil:
			from := implied
			if last {
				from = byHeader
			}
			t = t.add(k, value{kind: table, offset: k.offset, table: b.table(k.Name, k.offset, from)}).value.table
		case e.value.kind != table, e.value.table.from == inline, last && e.value.table.from != implied:
			b.twice(k, e)
			return b.table("", 0, byHeader)
		default:
			t = e.value.table
			if last {
				t.from, t.offset = byHeader, k.offset
			}
		}
	}
	return t
}

func (b *builder) keyValue(t *Table, keys []Key, n *unstable.Node) {
	last := keys[len(keys)-1]
	for _, k := range keys[:len(keys)-1] {
		e := t.byName[k.Name]
		if e == nil {
			e = t.add(k, value{kind: table, offset: k.offset, table: b.table(k.Name, k.offset, dotted)})
		} else if e.value.kind != table || e.value.table.from != dotted {
			b.twice(k, e)
			return
		}
		t = e.value.table
	}
	if e := t.byName[last.Name]; e != nil {
		b.twice(last, e)
		return
	}
	t.add(last, b.value(n, b.afterEquals(last.end)))
}

func (b *builder) twice(k Key, first *entry) {
	b.source.note(k.offset, "found %s a second time, want it once; the first is on line %d", quote(k.Name), b.source.line(first.key.offset))
}

// afterEquals is where the value begins that follows a key: the parser tells no place of a list.
func (b *builder) afterEquals(offset int) int {
	text := b.source.text
	return len(text) - len(bytes.TrimLeft(bytes.TrimLeft(text[offset:], " \t")[len("="):], " \t"))
}

// value converts a value; offset is where it begins, or for an item of a list where the list does.
func (b *builder) value(n *unstable.Node, offset int) value {
	if n.Raw.Length > 0 {
		offset = int(n.Raw.Offset)
	}
	v := value{kind: kinds[n.Kind], offset: offset, text: string(n.Data)}
	switch n.Kind {
	case unstable.Array:
		for it := n.Children(); it.Next(); {
			v.items = append(v.items, b.value(it.Node(), offset))
		}
	case unstable.InlineTable:
		v.table = b.table("", offset, inline)
		for it := n.Children(); it.Next(); {
			if keys, ok := b.keys(it.Node()); ok {
				b.keyValue(v.table, keys, it.Node().Value())
			}
		}
	}
	return v
}

var kinds = map[unstable.Kind]kind{
	unstable.Array:         list,
	unstable.InlineTable:   table,
	unstable.String:        text,
	unstable.Bool:          boolean,
	unstable.Float:         float,
	unstable.Integer:       integer,
	unstable.LocalDate:     localTime,
	unstable.LocalTime:     localTime,
	unstable.LocalDateTime: localTime,
	unstable.DateTime:      dateTime,
}

// syntax notes what the parser stopped at.
func (b *builder) syntax(err error) {
	var at *unstable.ParserError
	if !errors.As(err, &at) {
		b.source.note(0, "found what is not TOML: %v", err)
		return
	}
	offset := int(b.parser.Range(at.Highlight).Offset)
	found := "the end of the file"
	if len(at.Highlight) > 0 {
		found = quote(string(at.Highlight))
	}
	want, expected := strings.CutPrefix(at.Message, "expected ")
	if want, _, _ = strings.Cut(want, " but "); !expected {
		want = "TOML: " + want
	}
	if strings.HasPrefix(string(at.Highlight), "@") {
		want += `; a key with @ in it stands in quotes: "260@16.3"`
	}
	b.source.note(offset, "found %s, want %s", found, want)
}
