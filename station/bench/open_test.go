package bench

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fettle/nmra"
	"fettle/station"
)

// atHome gives the test a place of its own to remember in.
func atHome(t *testing.T) (dir string) {
	t.Helper()
	dir = t.TempDir()
	t.Setenv("XDG_STATE_HOME", dir)
	return filepath.Join(dir, "fettle", "bench")
}

// opened opens a bench, turns it on, lets do use it and closes it.
func opened(t *testing.T, where string, do func(b *Bench)) {
	t.Helper()
	s, err := station.Open(where)
	if err != nil {
		t.Fatal(err)
	}
	b := s.(*Bench)
	powerOn(t, b)
	do(b)
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
}

// memoryOf is the file in which the only decoder that remembers does so.
func memoryOf(t *testing.T, dir string) string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "*.toml"))
	if err != nil || len(files) != 1 {
		t.Fatalf("%v, %v; want one file", files, err)
	}
	return files[0]
}

func TestTheNameSaysWhatStandsOnTheTrack(t *testing.T) {
	atHome(t)
	for where, want := range map[string]string{
		"bench:":                 "simulated bench: harbour tram 3",
		"bench:engine-30":        "simulated bench: night-mail engine 30",
		"bench:nothing":          "simulated bench: nothing on the track",
		"bench:tram-3+shunter-7": "simulated bench: harbour tram 3 and ferry-berth shunter 7",
		"bench:../../testdata/decoders/engine-21-as-bought.toml": "simulated bench: dredger-spoil engine 21, as bought",
	} {
		s, err := station.Open(where)
		if err != nil {
			t.Error(err)
			continue
		}
		if got := s.Describe(); got.String() != want || !got.Simulated {
			t.Errorf("%s: %+v, want %q", where, got, want)
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}
}

func TestAnUnknownNameListsTheKnownOnes(t *testing.T) {
	atHome(t)
	for where, want := range map[string]string{
		"bench:tram-4":        `"tram-4": want one of engine-21, engine-30, railcar-12, shunter-7, tram-3, tram-3-short, nothing`,
		"bench:tram-3+":       `"": want one of`,
		"bench:tram-3+tram-3": `"tram-3": it is named twice`,
		"bench:no-such.toml":  "no-such.toml",
	} {
		s, err := station.Open(where)
		if err == nil || s != nil || !strings.Contains(err.Error(), want) || errors.Is(err, station.ErrStation) {
			t.Errorf("%s: %v, %v; want %q", where, s, err, want)
		}
	}
}

func TestWhatADecoderHoldsLastsUntilANewOneIsTakenOutOfItsBox(t *testing.T) {
	dir := atHome(t)
	opened(t, "bench:", func(b *Bench) { write(t, b, 3, 99) })
	opened(t, "bench:tram-3", func(b *Bench) {
		if !holds(t, b, 3, 99) {
			t.Error("CV 3 was forgotten")
		}
	})
	opened(t, "bench:tram-3+engine-30", func(b *Bench) {
		if got := b.track.decoders[0].Values()[at(3)]; got != 99 {
			t.Errorf("beside another decoder, CV 3 is %d", got)
		}
	})
	for _, where := range []string{"bench:", "bench:tram-3+engine-30"} {
		if err := Fresh(where); err != nil {
			t.Fatal(err)
		}
	}
	opened(t, "bench:", func(b *Bench) {
		if !holds(t, b, 3, 6) {
			t.Error("CV 3 is not what the box has")
		}
	})
	memoryOf(t, dir)
	if err := Fresh("board:x"); err == nil {
		t.Error("a board was taken out of its box")
	}
}

func TestAFactoryResetGoesOnInTheNextCommand(t *testing.T) {
	atHome(t)
	opened(t, "bench:engine-21", func(b *Bench) {
		write(t, b, 3, 99)
		write(t, b, 8, 8)
	})
	opened(t, "bench:engine-21", func(b *Bench) {
		if !holds(t, b, 8, 255) || !holds(t, b, 3, 99) {
			t.Error("the reset is complete after one power cycle, want two")
		}
	})
	opened(t, "bench:engine-21", func(b *Bench) {
		if !holds(t, b, 8, 13) || !holds(t, b, 3, 18) {
			t.Error("the reset is not complete after two power cycles")
		}
	})
}

func TestAFaultHappensOnceInTheLifeOfADecoder(t *testing.T) {
	atHome(t)
	const where = "bench:../../testdata/decoders/tram-3-power-cut.toml"
	opened(t, where, func(b *Bench) {
		for n := range nmra.CV(3) {
			_, err := b.Service(context.Background(), nmra.Access{Operation: nmra.Write, CV: n + 2, Value: 50})
			if got, want := errors.Is(err, station.ErrStation), n == 2; got != want {
				t.Errorf("write %d: %v", n+1, err)
			}
		}
	})
	opened(t, where, func(b *Bench) {
		if !holds(t, b, 4, 255) {
			t.Error("the register that was cut off is not erased")
		}
		for n := range nmra.CV(4) {
			if !write(t, b, n+2, 51) {
				t.Errorf("write %d of the next command was not obeyed", n+1)
			}
		}
	})
}

func TestTwoCommandsDoNotSeeTheSameNoise(t *testing.T) {
	atHome(t)
	seen := map[string]bool{}
	for range 4 {
		opened(t, "bench:railcar-12", func(b *Bench) {
			answers := ""
			for range 200 {
				answers += fmt.Sprint(holds(t, b, 8, 13))
			}
			seen[answers] = true
		})
	}
	if len(seen) != 4 {
		t.Errorf("%d kinds of noise in 4 commands", len(seen))
	}
}

func TestADecoderFileThatIsEditedIsANewDecoder(t *testing.T) {
	atHome(t)
	file := filepath.Join(t.TempDir(), "mine.toml")
	for version, want := range []uint8{1, 2} {
		text := fmt.Sprintf("title = \"Mine\"\nmodes = [\"direct\"]\n[registers]\n3 = %d\n8 = 13\n", version+1)
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		opened(t, "bench:"+file, func(b *Bench) {
			if got := b.track.decoders[0].Values()[at(3)]; got != want {
				t.Errorf("CV 3 is %d, want %d", got, want)
			}
			write(t, b, 3, 99)
		})
	}
}

func TestASecondCommandOnTheSameDecoderIsRefused(t *testing.T) {
	atHome(t)
	opened(t, "bench:tram-3", func(*Bench) {
		for _, where := range []string{"bench:", "bench:engine-30+tram-3"} {
			if s, err := station.Open(where); !errors.Is(err, station.ErrStation) || s != nil {
				t.Errorf("%s: %v, %v; want the station to have failed", where, s, err)
			}
		}
		if err := Fresh("bench:"); !errors.Is(err, station.ErrStation) {
			t.Errorf("a decoder in use was taken out of its box anew: %v", err)
		}
		opened(t, "bench:engine-30", func(*Bench) {})
	})
	opened(t, "bench:", func(*Bench) {})
}
