package report

import (
	"os"
	"path/filepath"
	"testing"
)

func FuzzKind(f *testing.F) {
	files, err := filepath.Glob("../testdata/*/*")
	if err != nil || len(files) == 0 {
		f.Fatal(files, err)
	}
	for _, path := range files {
		data, err := os.ReadFile(path)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(filepath.Base(path), data[:min(len(data), 4096)])
	}
	for _, text := range []string{"", "\ufeff", "{\"format\":1", "$date $end", "RIFF", "[registers.3]\n", "time_us,rail\n0,1\n", "\"# made\"\nrun;lead\n", "[[x]]", "a.b"} {
		f.Add("x.toml", []byte(text))
		f.Add("x.csv", []byte(text))
	}
	f.Fuzz(func(t *testing.T, name string, data []byte) {
		k, err := kindOf(name, data)
		if (k == 0) == (err == nil) {
			t.Errorf("kind %d, %v: want a kind, or why there is none", k, err)
		}
		if err != nil && wordsOf(name, err) == "" {
			t.Errorf("no words for %q", err)
		}
	})
}

func TestAFileWithAMistakeIsToldByTheKeysThatCanBeMadeOut(t *testing.T) {
	for text, want := range map[string]kind{
		"when = 2026-11-25T08:00:00Z\n[registers]\n3 = \n":         surveyKind,
		"title = \"a\n[registers]\n3 = 12\n":                       setKind,
		"groups = [\"a\"\n[registers.3]\nname = \"b\"\n":           sheetKind,
		"[decoder]\nmaker = \n[registers.3]\nname = \"b\"\n":       sheetKind,
		"when = 2026-11-25T08:00:00Z\n[found.3]\nwritable = yes\n": probeKind,
		"[vehicle]\nname = x\n":                                    trialKind,
		"address.short = \n":                                       setKind,
	} {
		if got, err := kindOf("x.toml", []byte(text)); got != want || err != nil {
			t.Errorf("%q: %d, %v, want %d", text, got, err, want)
		}
	}
}
