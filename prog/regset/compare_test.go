package regset_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fettle/nmra/cv"
	"fettle/prog/regset"
)

const compareSurvey = `
when = 2026-11-25T07:41:03Z
absent = ["96"]
unsure = ["112"]
changing = ["892"]
[decoder]
maker = 13
version = 21
[registers]
3 = 6
29 = 6
892 = 40
`

func TestCompareSaysOfEachRegisterHowTwoFilesAgree(t *testing.T) {
	for name, c := range map[string]struct {
		a, b string
		want []string
		same bool
	}{
		"a survey and itself, but for what was not proven": {compareSurvey, compareSurvey, []string{
			"3 6 6 same", "7 21 21 same", "8 13 13 same", "29 6 6 same", "96 absent absent same", "112 unsure unsure unsure", "892 40 40 changing"}, false},
		"two surveys": {compareSurvey, `
when = 2026-11-26T07:41:03Z
[registers]
3 = 12
96 = 0
892 = 41
`, []string{"3 6 12 differs", "7 21  only_in_a", "8 13  only_in_a", "29 6  only_in_a", "96 absent 0 differs", "112 unsure  only_in_a", "892 40 41 changing"}, false},
		"two sets that are the same": {"[registers]\n3 = 6\n[bits]\n29.3 = true", "[bits]\n29.3 = true\n[registers]\n3 = 6",
			[]string{"3 6 6 same", "29 bits bits same"}, true},
		"an address, and the registers that make it": {"[address]\nlong = 4203", "[registers]\n17 = 208\n18 = 107\n[bits]\n29.5 = true",
			[]string{"17 208 208 same", "18 107 107 same", "29 bits bits same"}, true},
		"a register, and more bits of it than the other names": {"[registers]\n29 = 14", "[bits]\n29.3 = true",
			[]string{"29 14 bits only_in_a"}, false},
		"bits that differ": {"[bits]\n29.3 = true", "[bits]\n29.3 = false\n29.4 = false", []string{"29 bits bits differs"}, false},
		"a set that a survey fulfils": {"[bits]\n29.1 = true\n[registers]\n3 = 6", compareSurvey,
			[]string{"3 6 6 same", "29 bits 6 same"}, true},
		"a survey beside a set that asks for another decoder": {compareSurvey, "[decoder]\nmaker = 14\n[registers]\n3 = 6",
			[]string{"3 6 6 same", "8 13 14 differs"}, false},
		"a set that asks for what was not read": {"[registers]\n5 = 0\n96 = 1", compareSurvey,
			[]string{"5 0  only_in_a", "96 1 absent differs"}, false},
	} {
		t.Run(name, func(t *testing.T) {
			rows := regset.Compare(parseAny(t, c.a), parseAny(t, c.b))
			var got []string
			for _, row := range rows {
				got = append(got, row.Register.String()+" "+row.A.String()+" "+row.B.String()+" "+string(row.Agreement))
			}
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
			if rows.Same() != c.same {
				t.Errorf("the same: %v, want %v", rows.Same(), c.same)
			}
		})
	}
}

func TestComparedWordsNameTheRegisterAndTheBitsThatDiffer(t *testing.T) {
	words := func(a, b string) string {
		rows := regset.Compare(parseAny(t, a), parseAny(t, b))
		row := rows[len(rows)-1]
		return row.Words(cv.Explain(row.Register))
	}
	for _, c := range []struct{ a, b, want string }{
		{"[registers]\n3 = 6", "[registers]\n3 = 12", "acceleration"},
		{"[registers]\n3 = 6", "[registers]\n2 = 12", "acceleration; only in A"},
		{"[registers]\n29 = 6", "[registers]\n29 = 38", "configuration; bit 5 address: off in A, on in B"},
		{"[bits]\n29.5 = true\n29.0 = true", "[bits]\n29.0 = false", "configuration; bit 0 direction: on in A, off in B; bit 5 address: on in A, not named in B"},
		{compareSurvey, compareSurvey, "load; it changes by itself"},
	} {
		if got := words(c.a, c.b); got != c.want {
			t.Errorf("%s beside %s: %q, want %q", c.a, c.b, got, c.want)
		}
	}
}

// parseAny parses a set, or a survey where it says when it was made.
func parseAny(t *testing.T, text string) regset.File {
	t.Helper()
	if strings.Contains(text, "when = ") {
		s, err := regset.ParseSurvey("survey.toml", []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	s, err := regset.Parse("set.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return s
}
