package regtoml

import (
	"strings"
	"unicode"
)

// AppendList appends a key and its list, on several lines where it is long. text writes an item.
func AppendList[T any](b []byte, key string, items []T, text func(T) string) []byte {
	const width = 100
	b = append(b, key+" = ["...)
	column := len(key) + len(" = [")
	for i, item := range items {
		one := text(item)
		switch {
		case i == 0:
		case column+len(", ")+len(one) > width:
			b = append(b, ",\n  "...)
			column = len("  ")
		default:
			b = append(b, ", "...)
			column += len(", ")
		}
		b = append(b, one...)
		column += len(one)
	}
	return append(b, "]\n"...)
}

// Name writes a register, a range or a bit as a TOML key: without quotes only a number, and a bit of a register without a page, which
// TOML takes for a dotted key.
func Name(notation string) string {
	if strings.ContainsAny(notation, "@-") {
		return Quote(notation)
	}
	return notation
}

// Quote writes text as a TOML string. What would not read back, since it does not print, becomes U+FFFD.
func Quote(s string) string {
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
