package sheet

import (
	"maps"
	"slices"
	"strconv"

	"fettle/nmra/cv"
	"fettle/nmra/cv/regtoml"
	"fettle/prog/regset"
)

// Read reads a sheet from a file. Errors: *regtoml.Errors, with the place of each mistake; those of opening the file.
func Read(path string) (Sheet, error) { return read(path, Parse) }

// Parse reads a sheet from the text of a file. Errors: *regtoml.Errors, with the place of each mistake.
func Parse(file string, data []byte) (Sheet, error) {
	doc, err := regtoml.Parse(file, data)
	if err != nil {
		return Sheet{}, err
	}
	root := doc.Root()
	root.Int("format", format, format)
	root.Require("decoder", "registers")
	var s Sheet
	s.Title, _ = root.String("title")
	s.From, _ = root.Strings("from")
	s.Absent, _ = root.RegisterRanges("absent")
	s.Changing, _ = root.RegisterRanges("changing")
	s.Pages, _ = root.Pages("pages")
	s.Decoder = regset.ParseGuard(root)
	if decoder, ok := root.Table("decoder"); ok {
		decoder.Require("maker")
	}
	s.parseGroups(root)
	p := parser{sheet: &s, names: map[string]string{}}
	if registers, ok := root.Table("registers"); ok {
		for _, row := range keyed(registers) {
			p.entry(registers, row)
		}
	}
	s.lists(root)
	if err := doc.Err(); err != nil {
		return Sheet{}, err
	}
	s.sortEntries()
	return s, nil
}

func (s *Sheet) parseGroups(root *regtoml.Table) {
	groups, _ := root.Strings("groups")
	for i, g := range groups {
		switch {
		case g == "":
			root.Errorf("groups", "found a group without a name, want one")
		case slices.Contains(groups[:i], g):
			root.Errorf("groups", "found group %q a second time, want it once", g)
		}
	}
	s.Groups = groups
}

// parser is a sheet as far as it has been read.
type parser struct {
	sheet *Sheet
	names map[string]string // the registers that have each name
}

// entry reads the table of a register or a range, and what it says of it.
func (p *parser) entry(registers *regtoml.Table, row row) {
	t, n := row.table, len(row.registers)
	e := Entry{Registers: row.registers}
	e.Name, _ = t.String("name")
	e.Group, _ = t.String("group")
	e.Note, _ = t.String("note")
	e.ReadOnly, _ = t.Bool("read_only")
	e.Values, _ = t.ByteRanges("values")
	e.Default, _ = t.Bytes("default", n)
	e.Held, _ = t.Bytes("held", n)
	mask, _ := t.Int("mask", 1, 255)
	fixed, _ := t.Int("fixed", 1, 255)
	if e.Fixed = uint8(fixed); mask != 255 {
		e.Mask = uint8(mask)
	}
	p.name(row, &e)
	p.bits(t, &e)
	if e.Group != "" && !slices.Contains(p.sheet.Groups, e.Group) {
		t.Errorf("group", "found %q, want one of groups, the list at the top", e.Group)
	}
	if page := e.Registers[0].Page; !p.sheet.hasPage(page) {
		registers.KeyErrorf(row.key, "found page %v, want one of pages, the list at the top", page)
	}
	for _, r := range e.Registers {
		if p.sheet.isAbsent(r) {
			registers.KeyErrorf(row.key, "found register %v, which absent lists too, want it in one of the two", r)
			break
		}
	}
	writing(t, e)
	p.sheet.Entries = append(p.sheet.Entries, e)
}

// name looks at the name of an entry, and at those that it gives to each of several registers.
func (p *parser) name(row row, e *Entry) {
	if e.Name == "" {
		return
	}
	if wrong := wrongName(e.Name); wrong != "" {
		row.table.Errorf("name", "found %q, want %s", e.Name, wrong)
		return
	}
	all := []string{e.Name}
	if len(e.Registers) > 1 {
		for n := range e.Registers {
			all = append(all, e.nameOf(n))
		}
	}
	for _, name := range all {
		if other, twice := p.names[name]; twice {
			row.table.Errorf("name", "found name %q a second time, want it once: register %s has it", name, other)
			return
		}
	}
	for _, name := range all {
		p.names[name] = row.key.Name
	}
}

// bits reads the names of single bits.
func (p *parser) bits(t *regtoml.Table, e *Entry) {
	bits, ok := t.Table("bits")
	if !ok {
		return
	}
	e.Bits = map[uint8]string{}
	for _, k := range bits.Keys() {
		name, ok := bits.String(k.Name)
		n, err := strconv.ParseUint(k.Name, 10, 8)
		if err != nil || n > 7 || strconv.Itoa(int(n)) != k.Name {
			bits.KeyErrorf(k, "found %q, want the number of a bit, 0 to 7", k.Name)
			continue
		}
		if !ok {
			continue
		}
		switch wrong := wrongName(name); {
		case wrong != "":
			bits.Errorf(k.Name, "found %q, want %s", name, wrong)
		case slices.Contains(slices.Collect(maps.Values(e.Bits)), name):
			bits.Errorf(k.Name, "found bit name %q a second time in the register, want it once", name)
		case !e.ReadOnly && (e.mask()|e.Fixed)>>n&1 == 0:
			bits.KeyErrorf(k, "found bit %d, want one that the register has: by its mask this one is always off", n)
		}
		e.Bits[uint8(n)] = name
	}
}

// writing looks at what an entry says of writing to it, and whether its defaults agree.
func writing(t *regtoml.Table, e Entry) {
	if e.ReadOnly {
		for _, key := range []string{"mask", "fixed", "values"} {
			if t.Has(key) {
				t.Errorf(key, "found %s of a register that is read only, want none", key)
			}
		}
		return
	}
	switch {
	case t.Has("values") && len(e.Values) == 0:
		t.Errorf("values", "found no values, want those that can be written, or read_only = true")
	case e.Fixed != 0 && e.Mask == 0:
		t.Errorf("fixed", "found fixed bits without a mask, want the mask of the bits that can be changed")
	case e.Fixed&e.Mask != 0:
		t.Errorf("fixed", "found %s both fixed and in the mask, want each in one of the two", bitsOf(e.Fixed&e.Mask))
	}
	for i, v := range e.Default {
		if stuck := (v ^ e.Fixed) &^ e.mask(); stuck != 0 {
			t.Errorf("default", "found default %d of register %v, want %s, as mask and fixed have it", v, e.Registers[i], bitsAs(stuck, e.Fixed))
		} else if !e.takes(255, v) {
			t.Errorf("default", "found default %d of register %v, want one of its values, %s", v, e.Registers[i], e.values())
		}
	}
}

// lists looks at what the lists at the top say of pages, and of each other.
func (s Sheet) lists(root *regtoml.Table) {
	for _, list := range []struct {
		key       string
		registers []cv.Register
	}{{"absent", s.Absent}, {"changing", s.Changing}} {
		for _, r := range list.registers {
			if !s.hasPage(r.Page) {
				root.Errorf(list.key, "found register %v, want its page in pages", r)
				break
			}
		}
	}
	for _, r := range s.Changing {
		if s.isAbsent(r) {
			root.Errorf("changing", "found register %v here and in absent, want it in one of the two", r)
			break
		}
	}
}
