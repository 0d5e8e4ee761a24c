package boardsim

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fettle/station/bench"
)

func TestWhatIsMissingToSimulateIsNamedWithItsPackage(t *testing.T) {
	folder := t.TempDir()
	t.Setenv("PATH", folder)
	if _, err := compile(); err == nil || !strings.Contains(err.Error(), "packages gcc,") {
		t.Errorf("no compiler: %v, want the package named", err)
	}
	const lacks = "#!/bin/sh\necho 'simavr/sim_avr.h: No such file or directory' >&2\nexit 1\n"
	if err := os.WriteFile(filepath.Join(folder, "gcc"), []byte(lacks), 0o700); err != nil {
		t.Fatal(err)
	}
	_, err := compile()
	if err == nil || !strings.Contains(err.Error(), "libsimavr-dev") || !strings.Contains(err.Error(), "sim_avr.h: No such file") {
		t.Errorf("no library: %v, want the package named, and what the compiler said", err)
	}
}

func TestAProgramThatTheChipCantRunIsAnError(t *testing.T) {
	// Machine code of our own: a word that is no instruction of the chip.
	b, err := New([]byte(":02000000FFFF00\n:00000001FF\n"), bench.NewTrack())
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Run(time.Second); err == nil || !strings.Contains(err.Error(), "crashed") {
		t.Errorf("%v, want it to have crashed", err)
	}
	if err := b.Close(); err != nil {
		t.Error(err)
	}
}

func TestASimulationThatIsKilledIsAnErrorAndNoHang(t *testing.T) {
	b, err := New([]byte(":02000000FFCF30\n:00000001FF\n"), bench.NewTrack()) // rjmp .-2: it runs for ever
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Run(time.Millisecond); err != nil {
		t.Fatal(err)
	}
	if err := b.chip.process.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	if err := b.Run(time.Second); err == nil || !strings.Contains(err.Error(), "the simulated chip ended") {
		t.Errorf("%v, want it to have ended", err)
	}
	if n, err := b.Read(make([]byte, 1), time.Second); n != 0 || err == nil {
		t.Errorf("%d bytes, %v; want the line to be gone", n, err)
	}
	if err := b.Close(); err != nil {
		t.Error(err)
	}
}
