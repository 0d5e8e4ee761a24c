package bench

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"testing"
	"time"

	"fettle/nmra"
	"fettle/station"
)

func TestADamagedMemoryIsAnErrorThatNamesTheFileAndTheWayOut(t *testing.T) {
	dir := atHome(t)
	opened(t, "bench:", func(*Bench) {})
	file := memoryOf(t, dir)
	good, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	for name, damaged := range map[string]string{
		"empty":                  "",
		"half":                   string(good[:len(good)/2]),
		"of a later version":     strings.Replace(string(good), "version = 1", "version = 2", 1),
		"without a register":     strings.Replace(string(good), `"892" = 17`, "", 1),
		"with a register more":   string(good) + "\"1000\" = 1\n",
		"with an unknown key":    "colour = 1\n" + string(good),
		"with power-ons below 0": strings.Replace(string(good), "power_ons = ", "power_ons = -", 1),
	} {
		if err := os.WriteFile(file, []byte(damaged), 0o600); err != nil {
			t.Fatal(err)
		}
		s, err := station.Open("bench:")
		if err == nil || s != nil || !strings.Contains(err.Error(), file+":") || !strings.Contains(err.Error(), "--fresh") {
			t.Errorf("%s: %v, %v; want %s and --fresh in the error", name, s, err, file)
		}
	}
	if err := Fresh("bench:"); err != nil {
		t.Fatal(err)
	}
	opened(t, "bench:", func(*Bench) {})
}

func TestAMemoryThatCannotBeKeptFailsTheStation(t *testing.T) {
	dir := atHome(t)
	s, err := station.Open("bench:")
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if err := os.RemoveAll(dir); err != nil {
		t.Fatal(err)
	}
	if _, err := s.(*Bench).PowerOn(context.Background()); !errors.Is(err, station.ErrStation) || !strings.Contains(err.Error(), "harbour tram 3") {
		t.Errorf("%v; want the station to have failed", err)
	}
}

func TestStateIsKeptWhereTheUserHasIt(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("Windows has a place of its own")
	}
	t.Setenv("XDG_STATE_HOME", "/var/lib/state")
	if got, err := stateDir(); err != nil || got != "/var/lib/state/fettle/bench" {
		t.Errorf("%s, %v", got, err)
	}
	// XDG Base Directory Specification 0.8: a path that is not absolute is to be ignored.
	for _, unset := range []string{"", "relative"} {
		t.Setenv("XDG_STATE_HOME", unset)
		t.Setenv("HOME", "/home/u")
		if got, err := stateDir(); err != nil || got != "/home/u/.local/state/fettle/bench" {
			t.Errorf("%q: %s, %v", unset, got, err)
		}
	}
}

// TestAKillLeavesTheMemoryOldOrNew kills a process that writes one register after the other, again and again.
func TestAKillLeavesTheMemoryOldOrNew(t *testing.T) {
	if os.Getenv("FETTLE_TEST_WRITER") != "" {
		writeForEver(t)
	}
	atHome(t)
	random := rand.New(rand.NewPCG(1, 1))
	for kill := range 25 {
		writer := exec.Command(os.Args[0], "-test.run=^TestAKillLeavesTheMemoryOldOrNew$")
		writer.Env = append(os.Environ(), "FETTLE_TEST_WRITER=1")
		out, err := writer.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := writer.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		lines.Scan() // it has begun
		time.AfterFunc(time.Duration(random.IntN(20_000))*time.Microsecond, func() { _ = writer.Process.Kill() })
		for lines.Scan() {
		}
		if err := writer.Wait(); err == nil {
			t.Fatal("the writer ended by itself")
		}
		// The writer puts n into CV 67, 68 ... 94 in turn, then n + 1: at any instant they are n up to some register, then n - 1.
		opened(t, "bench:tram-3", func(b *Bench) {
			values := b.track.decoders[0].Values()
			steps := 0
			for n := nmra.CV(68); n <= 94; n++ {
				switch values[at(n-1)] - values[at(n)] {
				case 0:
				case 1:
					steps++
				default:
					t.Errorf("kill %d: CV %d and %d hold %d and %d", kill, n-1, n, values[at(n-1)], values[at(n)])
				}
			}
			if steps > 1 {
				t.Errorf("kill %d: %d steps in what the registers hold", kill, steps)
			}
		})
		if err := Fresh("bench:tram-3"); err != nil {
			t.Fatal(err)
		}
	}
}

// writeForEver fills the speed table with 1, says so, then with 2, with 3 ...
func writeForEver(t *testing.T) {
	s, err := station.Open("bench:tram-3")
	if err != nil {
		t.Fatal(err)
	}
	b := s.(*Bench)
	powerOn(t, b)
	for value := uint8(1); ; value++ {
		for n := nmra.CV(67); n <= 94; n++ {
			write(t, b, n, value)
		}
		if value == 1 {
			fmt.Println("begun")
		}
	}
}
