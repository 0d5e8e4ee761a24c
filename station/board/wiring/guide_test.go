package main

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// firmware is the source of the board's firmware.
func firmware(t *testing.T) string {
	var all strings.Builder
	for _, pattern := range []string{"../firmware/avr/*.[ch]", "../firmware/portable/*.[ch]"} {
		names, err := filepath.Glob(pattern)
		if err != nil || len(names) == 0 {
			t.Fatalf("%s: no files: %v", pattern, err)
		}
		for _, name := range names {
			source, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			all.Write(source)
		}
	}
	return all.String()
}

// holds gives the numbers in the one place of the firmware that looks like this.
func holds(t *testing.T, source, what, pattern string) []int {
	t.Helper()
	places := regexp.MustCompile(pattern).FindAllStringSubmatch(source, -1)
	if len(places) != 1 {
		t.Fatalf("%s: %d places in the firmware match %s, want one: has it changed its name?", what, len(places), pattern)
	}
	var numbers []int
	for _, n := range places[0][1:] {
		number, err := strconv.Atoi(n)
		if err != nil {
			t.Fatal(err)
		}
		numbers = append(numbers, number)
	}
	return numbers
}

// chip is what the firmware has for its pins and scales.
type chip struct {
	phase, enable, current, supply, firstGate, gates int
	millivoltsPerMilliamp, dividedBy                 float64
	programming, running, short, allowed, silence    int
}

func readChip(t *testing.T) chip {
	source := firmware(t)
	one := func(what, pattern string) int { t.Helper(); return holds(t, source, what, pattern)[0] }
	// counts = mA x a / b, and 1024 counts are 5000 mV
	counts := holds(t, source, "scale of the current", `#define COUNTS\(ma\).*\(ma\) \* (\d+) / (\d+)\)`)
	// tenths of a volt = counts x tenths / 1024, and 1024 counts are 5 V
	tenths := one("scale of the supply", `supply_counts\(\) \* (\d+) / 1024`)
	return chip{
		phase:                 one("signal's pin", `DDRB = 1 << DDB(\d);`),
		enable:                one("pin of ENABLE", `DDRD \|= 1 << DDD(\d);`),
		current:               one("input of the current", `CURRENT = 1 << REFS0 \| (\d)\b`),
		supply:                one("input of the supply", `SUPPLY = 1 << REFS0 \| (\d)\b`),
		firstGate:             one("pin of gate 1", `GATE_PINS = \(\(1 << GATES\) - 1\) << PINC(\d)\b`),
		gates:                 one("number of gates", `\bGATES = (\d+)\b`),
		millivoltsPerMilliamp: float64(counts[0]) / float64(counts[1]) * 5000 / 1024,
		dividedBy:             float64(tenths) / 10 / 5,
		programming:           one("limit for programming", `\bPROGRAMMING_LIMIT_MA = (\d+)\b`),
		running:               one("limit for running", `\bRUNNING_LIMIT_MA = (\d+)\b`),
		short:                 one("limit of a short", `\bSHORT_MA = (\d+)\b`),
		allowed:               one("time above a limit", `\bLONGEST_ALLOWED_MS = (\d+)\b`),
		silence:               one("silence", `\bSILENCE_MS = (\d+)\b`),
	}
}

// guide is BUILDING.md.
func guide(t *testing.T) string {
	text, err := os.ReadFile("../BUILDING.md")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// row is a row of a table of the guide: what is in its columns, by the first one.
func row(t *testing.T, text, first string) string {
	t.Helper()
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, "| "+first+" |") {
			return line
		}
	}
	t.Errorf("the guide has no row %q", first)
	return ""
}

func TestTheDrawingAndTheGuideHaveThePinsOfTheFirmware(t *testing.T) {
	c := readChip(t)
	text := guide(t)
	known := []string{"PD0", "PD1"} // the chip's serial line
	check := func(drawn pin, port string, bit int, goesTo string) {
		t.Helper()
		name := fmt.Sprintf("P%s%d", port, bit)
		known = append(known, name)
		if drawn.name != name {
			t.Errorf("%s: the drawing has %s, the firmware %s", goesTo, drawn.name, name)
		}
		if in := row(t, text, name); !strings.Contains(in, goesTo) || !strings.Contains(in, " "+drawn.mark+" ") {
			t.Errorf("%s: the guide's row is %q, want it to name %q and the mark %q", name, in, goesTo, drawn.mark)
		}
	}
	check(phasePin, "B", c.phase, "PHASE")
	check(enablePin, "D", c.enable, "ENABLE")
	check(sensePin, "C", c.current, "current sense")
	check(supplyPin, "C", c.supply, "supply")
	if len(gatePins) != c.gates {
		t.Fatalf("the drawing has %d gates, the firmware %d", len(gatePins), c.gates)
	}
	for i, p := range gatePins {
		check(p, "C", c.firstGate+i, fmt.Sprintf("gate %d", i+1))
	}
	for _, name := range regexp.MustCompile(`\bP[BCD][0-7]\b`).FindAllString(text, -1) {
		if !slices.Contains(known, name) {
			t.Errorf("the guide names pin %s, and the firmware does not use it", name)
		}
	}
}

func TestTheDrawingAndTheGuideHaveTheScalesAndLimitsOfTheFirmware(t *testing.T) {
	c := readChip(t)
	text := guide(t)
	perMilliamp, dividedBy := fmt.Sprintf("%.4g mV a mA", c.millivoltsPerMilliamp), fmt.Sprintf("÷ %.4g", c.dividedBy)
	for _, want := range []struct{ row, holds string }{
		{"current sense", perMilliamp},
		{"supply measured", dividedBy},
		{"highest limit, programming", fmt.Sprintf("%d mA for %d ms", c.programming, c.allowed)},
		{"highest limit, running", fmt.Sprintf("%d mA for %d ms", c.running, c.allowed)},
		{"short", fmt.Sprintf("%d mA", c.short)},
		{"silence", fmt.Sprintf("%d ms", c.silence)},
	} {
		if in := row(t, text, want.row); !strings.Contains(in, "| "+want.holds) {
			t.Errorf("the guide's row is %q, the firmware has %s", in, want.holds)
		}
	}
	drawn := map[string]bool{}
	for _, words := range circuit().texts {
		drawn[words.words] = true
	}
	for _, want := range []string{perMilliamp, "supply " + dividedBy, "39 kΩ", "10 kΩ"} {
		if !drawn[want] {
			t.Errorf("the drawing does not say %q", want)
		}
	}
	if ratio := (39.0 + 10) / 10; ratio != c.dividedBy {
		t.Errorf("39 kΩ over 10 kΩ divides by %g, the firmware reckons with %g", ratio, c.dividedBy)
	}
}

// The figures for trimming: the load's current, its heat, and what is to be seen at the sense pin.
func TestTheGuidesTrimmingTableIsRightForTheFirmwaresScale(t *testing.T) {
	c := readChip(t)
	text := guide(t)
	const load = 100.0 // ohms
	for volts := 12.0; volts <= 16; volts++ {
		amps := volts / load
		want := fmt.Sprintf("| %.0f V | %.0f mA | %.2f W | %.2f V |", volts, amps*1000, volts*amps, amps*c.millivoltsPerMilliamp)
		if !strings.Contains(text, want) {
			t.Errorf("the guide has no row %s", want)
		}
	}
}

func TestEachStepOfTheGuideIsThereAndInItsOrder(t *testing.T) {
	text := guide(t)
	at := 0
	for step := 1; step <= 11; step++ {
		heading := fmt.Sprintf("### Step %d: ", step)
		next := strings.Index(text, heading)
		if next < at {
			t.Fatalf("%q is at %d, and the one before it at %d", heading, next, at)
		}
		at = next
	}
	if !strings.Contains(text, "](wiring.svg)") {
		t.Error("the guide does not show the drawing")
	}
}
