package report

import (
	"fmt"
	"math"
	"regexp"
	"strings"
	"testing"
)

// colours are the custom properties that a part of the look sets, as red, green and blue from 0 to 1.
func colours(css string) map[string][3]float64 {
	all := map[string][3]float64{}
	for _, found := range regexp.MustCompile(`--(\w+): #([0-9a-f]{2})([0-9a-f]{2})([0-9a-f]{2});`).FindAllStringSubmatch(css, -1) {
		var c [3]float64
		for i := range c {
			var n int
			fmt.Sscanf(found[2+i], "%x", &n)
			c[i] = float64(n) / 255
		}
		all[found[1]] = c
	}
	return all
}

// luminance is the relative luminance of a colour (W3C, WCAG 2.2, section "Terms").
func luminance(c [3]float64) float64 {
	for i, v := range c {
		if v <= 0.04045 {
			c[i] = v / 12.92
		} else {
			c[i] = math.Pow((v+0.055)/1.055, 2.4)
		}
	}
	return 0.2126*c[0] + 0.7152*c[1] + 0.0722*c[2]
}

// contrast is the contrast ratio of two colours (likewise).
func contrast(a, b [3]float64) float64 {
	l, m := luminance(a), luminance(b)
	return (max(l, m) + 0.05) / (min(l, m) + 0.05)
}

func TestContrastIsThatOfTheStandardsExamples(t *testing.T) {
	// W3C, WCAG 2.2, definition of contrast ratio: it goes from 1 to 21, which black has on white.
	white, black := [3]float64{1, 1, 1}, [3]float64{}
	if got := contrast(black, white); math.Abs(got-21) > 1e-9 {
		t.Errorf("black on white has %v, want 21", got)
	}
	if got := contrast(white, white); got != 1 {
		t.Errorf("white on white has %v, want 1", got)
	}
}

func TestTextOfTheLookCanBeReadInTheLightInTheDarkAndOnPaper(t *testing.T) {
	schemes := map[string]string{}
	for scheme, begin := range map[string]string{"light": ":root {", "dark": "@media (prefers-color-scheme: dark) {", "print": "@media print {"} {
		_, rest, ok := strings.Cut(Look, begin)
		if !ok {
			t.Fatalf("the look has no %s", begin)
		}
		schemes[scheme], _, _ = strings.Cut(rest, "}")
	}
	for scheme, css := range schemes {
		set := colours(css)
		for _, ink := range []string{"ink", "quiet", "blue", "rust"} {
			for _, ground := range []string{"paper", "pale", "band"} {
				a, ok := set[ink]
				b, has := set[ground]
				if !ok || !has {
					t.Fatalf("%s: the look does not set --%s and --%s", scheme, ink, ground)
				}
				// W3C, WCAG 2.2, success criterion 1.4.3: text needs a contrast of 4.5:1.
				if got := contrast(a, b); got < 4.5 {
					t.Errorf("%s: --%s on --%s has a contrast of %.2f", scheme, ink, ground, got)
				}
			}
		}
	}
}
