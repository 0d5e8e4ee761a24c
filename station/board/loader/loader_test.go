//go:build linux

package loader

import (
	"bytes"
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"fettle/station"
	"fettle/station/board/firmware"
	"fettle/station/board/loader/loadertest"
)

func start(t *testing.T, f loadertest.Fake) *loadertest.Board {
	t.Helper()
	b, err := loadertest.Start(f)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	})
	return b
}

// loadAt loads a fake, and tells what was said.
func loadAt(ctx context.Context, name string) (got Loaded, said []string, err error) {
	got, err = Load(ctx, name, func(doing string) { said = append(said, doing) })
	return got, said, err
}

// bytesOf gives the image's bytes as the chip's own tools have them.
func bytesOf(t *testing.T, image []byte) []byte {
	t.Helper()
	from, to := filepath.Join(t.TempDir(), "image.hex"), filepath.Join(t.TempDir(), "image.bin")
	if err := os.WriteFile(from, image, 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("avr-objcopy", "-I", "ihex", "-O", "binary", from, to).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	all, err := os.ReadFile(to)
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func TestALoadedBoardHoldsTheImageAndSaysItsVersion(t *testing.T) {
	t.Parallel()
	want := bytesOf(t, firmware.Image)
	b := start(t, loadertest.Good(firmware.Version))
	got, said, err := loadAt(t.Context(), b.Name)
	if err != nil {
		t.Fatal(err)
	}
	if got != (Loaded{b.Name, 115200, firmware.Version}) {
		t.Errorf("%+v", got)
	}
	erased := bytes.Repeat([]byte{0xFF}, len(b.Flash())-len(want))
	if !bytes.Equal(b.Flash(), append(want, erased...)) {
		t.Error("the chip does not hold the image and nothing else")
	}
	if len(said) != 2 || !strings.Contains(said[0], "115200") {
		t.Errorf("%q", said)
	}
}

func TestALoaderAtTheOtherSpeedIsFound(t *testing.T) {
	t.Parallel()
	f := loadertest.Good(firmware.Version)
	f.Baud = unix.B57600
	got, said, err := loadAt(t.Context(), start(t, f).Name)
	if err != nil || got.Baud != 57600 || len(said) != 3 {
		t.Errorf("%+v, %q, %v", got, said, err)
	}
}

func TestWhatGoesWrongIsAnErrorWithWhatToDo(t *testing.T) {
	t.Parallel()
	good := loadertest.Good(firmware.Version)
	other, loses, old, dead := good, good, good, good
	other.Signature = [3]byte{0x1E, 0x94, 0x06}
	loses.LosesPage = 2
	old.Firmware++
	dead.Firmware = 0
	for name, c := range map[string]struct {
		fake    loadertest.Fake
		want    string
		written bool // something may have been
		output  string
	}{
		"silent":          {loadertest.Fake{}, "no loader answers, at 115200 nor at 57600 baud", false, "not in sync"},
		"another chip":    {other, "no ATmega328P: nothing was written", false, "1E 95 0F"},
		"a lost page":     {loses, "does not hold what was written", true, "0x0080"},
		"another version": {old, "version 2 answers, want 1", true, ""},
		"does not run":    {dead, "was loaded and read back, and then", true, ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := start(t, c.fake)
			got, _, err := loadAt(t.Context(), b.Name)
			if got != (Loaded{}) || !errors.Is(err, station.ErrStation) || !strings.Contains(err.Error(), c.want) {
				t.Fatalf("%+v, %v, want %q", got, err, c.want)
			}
			var refused Refused
			if errors.As(err, &refused) != (c.output != "") || !strings.Contains(refused.Output, c.output) {
				t.Errorf("it said %q, want %q", refused.Output, c.output)
			}
			if written := len(bytes.Trim(b.Flash(), "\xFF")) > 0; written != c.written {
				t.Errorf("something was written: %v, want %v", written, c.written)
			}
		})
	}
}

func TestStoppingEndsTheLoadingAtOnce(t *testing.T) {
	t.Parallel()
	ctx, stop := context.WithCancel(t.Context())
	began := time.Now()
	time.AfterFunc(time.Second, stop)
	_, _, err := loadAt(ctx, start(t, loadertest.Fake{}).Name)
	if !errors.Is(err, context.Canceled) || !strings.Contains(err.Error(), "load it again") {
		t.Error(err)
	}
	if took := time.Since(began); took > 4*time.Second {
		t.Errorf("it took %v", took)
	}
}

func TestAPortThatCanNotBeOpenedIsNotGivenToTheProgram(t *testing.T) {
	t.Parallel()
	if _, said, err := loadAt(t.Context(), filepath.Join(t.TempDir(), "ttyUSB0")); !errors.Is(err, station.ErrLost) || len(said) > 0 {
		t.Errorf("%v, %q", err, said)
	}
}

func TestAComputerWithoutTheProgramIsToldHowToGetIt(t *testing.T) {
	t.Setenv("PATH", t.TempDir())
	if _, _, err := loadAt(t.Context(), "/dev/null"); err != ErrNoProgram || !strings.Contains(err.Error(), "apt install avrdude") {
		t.Error(err)
	}
}

func TestAProgramThatDoesNotEndIsGivenUp(t *testing.T) {
	folder := t.TempDir()
	script := filepath.Join(folder, Program)
	if err := os.WriteFile(script, []byte("#!/bin/sh\necho busy\nexec sleep 60\n"), 0o700); err != nil {
		t.Fatal(err)
	}
	l := loading{program: script, folder: folder, port: "/dev/null", longest: 200 * time.Millisecond}
	var refused Refused
	if err := l.run(t.Context(), bauds[0]); !errors.As(err, &refused) || !strings.Contains(refused.Reason, "given up") || refused.Output != "busy" {
		t.Error(err)
	}
}

func TestACableThatComesOutWhileLoadingEndsIt(t *testing.T) {
	t.Parallel()
	f := loadertest.Good(firmware.Version)
	f.Vanishes = 3
	b := start(t, f)
	program, err := exec.LookPath(Program)
	if err != nil {
		t.Fatal(err)
	}
	l := loading{program: program, folder: t.TempDir(), port: b.Name, longest: 5 * time.Second}
	if err := os.WriteFile(filepath.Join(l.folder, image), firmware.Image, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := l.run(t.Context(), bauds[0]); !errors.Is(err, station.ErrStation) {
		t.Error(err)
	}
	if !bytes.Equal(b.Flash()[256:384], bytes.Repeat([]byte{0xFF}, 128)) {
		t.Error("more was written than what came before the cable was out")
	}
}

func TestWhatTheProgramSaysIsPutIntoWords(t *testing.T) {
	for output, want := range map[string]string{
		"avrdude: verification error, first mismatch at byte 0x0080": "does not hold what was written", // as older versions have it
		"avrdude: Yikes!  Invalid device signature.":                 "no ATmega328P",
		"avrdude: stk500_recv(): programmer is not responding":       "no loader answers",
		"avrdude: something new":                                     "what it said is below",
		"":                                                           "what it said is below",
	} {
		if got := refusal("/dev/ttyUSB0", bauds[0], output, false); !strings.Contains(got.Reason, want) || got.Output != output {
			t.Errorf("%q: %v, want %q", output, got, want)
		}
	}
}
