package regtoml

import (
	"strings"
	"testing"

	"github.com/pelletier/go-toml/v2"
)

// TOML 1.0 (toml.io), "Keys", "Table" and "Inline Table": what may be said twice and what not. The library's own decoder, which
// builds maps and knows no positions, is the judge of every file of three lines out of these.
func TestWhatMayBeSaidTwiceIsWhatTOMLAllows(t *testing.T) {
	var lines []string
	for _, key := range []string{"a", "b", "a.b", `"a".a`, "a.b.a"} {
		lines = append(lines, "["+key+"]", key+" = 1", key+" = {a = 1}", key+" = {a = {}, a.b = 1}")
	}
	accepted, refused := 0, 0
	for _, first := range lines {
		for _, second := range lines {
			for _, third := range lines {
				text := strings.Join([]string{first, second, third}, "\n")
				want := toml.Unmarshal([]byte(text), &map[string]any{})
				d, err := Parse("f.toml", []byte(text))
				if err == nil {
					err = d.source.errors()
				}
				if (err == nil) != (want == nil) {
					t.Fatalf("%s\n\ngot %v, want %v", text, err, want)
				}
				if err == nil {
					accepted++
				} else {
					refused++
				}
			}
		}
	}
	if accepted < 100 || refused < 100 {
		t.Errorf("%d accepted, %d refused: too few of one to say anything", accepted, refused)
	}
}
