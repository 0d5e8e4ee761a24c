package sheet

import (
	"fmt"

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
