package regtoml

import (
	"fmt"
	"strings"
	"testing"

	"github.com/pelletier/go-toml/v2"
	"pgregory.net/rapid"
)

// TOML 1.0 (toml.io), "Keys", "Table" and "Inline Table": what may be said twice and what not. The library's own decoder, which
// builds maps and knows no positions, is the judge.
func TestWhatMayBeSaidTwiceIsWhatTOMLAllows(t *testing.T) {
	key := rapid.Custom(func(t *rapid.T) string {
		return strings.Join(rapid.SliceOfN(rapid.SampledFrom([]string{"a", "b", `"c"`}), 1, 3).Draw(t, "key"), ".")
	})
	keyValue := rapid.Custom(func(t *rapid.T) string {
		value := rapid.SampledFrom([]string{"1", "{}", "{a = 1}", "{a.b = 1, a.c = 2}", "{a = {b = 1}, a.c = 2}", "[1, {a = 1}]"}).Draw(t, "value")
		return fmt.Sprintf("%s = %s", key.Draw(t, "key"), value)
	})
	header := rapid.Map(key, func(k string) string { return "[" + k + "]" })
	rapid.Check(t, func(t *rapid.T) {
		text := strings.Join(rapid.SliceOfN(rapid.OneOf(keyValue, header), 1, 6).Draw(t, "lines"), "\n")
		want := toml.Unmarshal([]byte(text), &map[string]any{})
		d, err := Parse("f.toml", []byte(text))
		if err == nil {
			err = d.source.errors()
		}
		if (err == nil) != (want == nil) {
			t.Fatalf("%s\n\ngot %v, want %v", text, err, want)
		}
	})
}
