package sheet

import (
	"fmt"
	"slices"
	"time"

	"fettle/nmra/cv"
	"fettle/nmra/cv/regtoml"
	"fettle/prog/regset"
)

// Findings is what a probe found out about one decoder by writing and restoring.
type Findings struct {
	Decoder regset.Guard
	When    time.Time
	Station string
	Found   []Finding // in any order, each register once
}

// Finding is what a probe found out about one register. The zero Finding is of one that no write changes.
type Finding struct {
	Register  cv.Register
	Writable  bool           // it took a value that it did not hold
	Mask      uint8          // the bits that were seen to change; 0 where not Writable
	LeftAlone uint8          // the bits that were not tried: whether they can be changed is not known
	Values    []cv.ByteRange // the values that it takes, ascending, with gaps between; nil: not looked for, or not Writable
}

// ReadFindings reads a probe's file. Errors: *regtoml.Errors, with the place of each; those of opening the file.
func ReadFindings(path string) (Findings, error) { return read(path, ParseFindings) }

// ParseFindings reads a probe's findings from the text of a file; they come in order. Errors: *regtoml.Errors, with the place of each.
func ParseFindings(file string, data []byte) (Findings, error) {
	doc, err := regtoml.Parse(file, data)
	if err != nil {
		return Findings{}, err
	}
	root := doc.Root()
	root.Int("format", format, format)
	root.Require("when", "found")
	f := Findings{Decoder: regset.ParseGuard(root)}
	f.When, _ = root.Time("when")
	f.Station, _ = root.String("station")
	if found, ok := root.Table("found"); ok {
		for _, row := range keyed(found) {
			one := parseFinding(row.table)
			for _, r := range row.registers {
				one.Register = r
				f.Found = append(f.Found, one)
			}
		}
	}
	if err := doc.Err(); err != nil {
		return Findings{}, err
	}
	slices.SortFunc(f.Found, func(a, b Finding) int { return a.Register.Compare(b.Register) })
	return f, nil
}

func parseFinding(t *regtoml.Table) Finding {
	var f Finding
	t.Require("writable")
	f.Writable, _ = t.Bool("writable")
	mask, masked := t.Int("mask", 1, 255)
	alone, _ := t.Int("left_alone", 1, 255)
	f.LeftAlone = uint8(alone)
	values, valued := t.ByteRanges("values")
	switch {
	case masked && uint8(mask)&f.LeftAlone != 0:
		t.Errorf("left_alone", "found %s both in the mask and left alone, want each in one of the two", bitsOf(uint8(mask)&f.LeftAlone))
	case f.Writable && !t.Has("mask"):
		t.Errorf("", "found no mask, want the bits of a register that can be written")
	case f.Writable:
		f.Mask, f.Values = uint8(mask), values
	case masked:
		t.Errorf("mask", "found bits of a register that can't be written, want none")
	case valued:
		t.Errorf("values", "found values of a register that can't be written, want none")
	}
	if valued && len(values) == 0 {
		t.Errorf("values", "found an empty list, want the values that the register takes")
	}
	return f
}

// Append appends the canonical text of the findings: in order, those that say the same of registers that follow each other in one
// table. When is written in UTC.
func (f Findings) Append(b []byte) []byte {
	b = fmt.Appendf(b, "format = %d\nwhen = %s\n", format, f.When.UTC().Format(time.RFC3339Nano))
	if f.Station != "" {
		b = fmt.Appendf(b, "station = %s\n", regtoml.Quote(f.Station))
	}
	b = f.Decoder.Append(b)
	if len(f.Found) == 0 {
		return append(b, "\n[found]\n"...)
	}
	found := slices.SortedFunc(slices.Values(f.Found), func(a, b Finding) int { return a.Register.Compare(b.Register) })
	for len(found) > 0 {
		n := 1
		for n < len(found) && found[n].follows(found[n-1]) {
			n++
		}
		registers := make([]cv.Register, n)
		for i, one := range found[:n] {
			registers[i] = one.Register
		}
		b = fmt.Appendf(b, "\n[found.%s]\nwritable = %t\n", key(registers), found[0].Writable)
		if found[0].LeftAlone != 0 {
			b = appendMask(b, "left_alone", found[0].LeftAlone)
		}
		if found[0].Writable {
			b = appendMask(b, "mask", found[0].Mask)
			b = appendByteRanges(b, found[0].Values)
		}
		found = found[n:]
	}
	return b
}

// follows says whether f is the finding of the very next register, and says the same.
func (f Finding) follows(before Finding) bool {
	next := before.Register
	next.CV++
	return f.Register == next && f.Writable == before.Writable && f.Mask == before.Mask && f.LeftAlone == before.LeftAlone && slices.Equal(f.Values, before.Values)
}
