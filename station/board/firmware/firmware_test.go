package firmware_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// sources has go test run again where one of them has changed.
func sources(t *testing.T) {
	t.Helper()
	for _, pattern := range []string{"Makefile", "board.hex", "portable/*.c", "portable/*.h", "avr/*.c", "avr/*.h", "host/*.c"} {
		found, err := filepath.Glob(pattern)
		if err != nil || len(found) == 0 {
			t.Fatalf("%s: %v, found %d files", pattern, err, len(found))
		}
		for _, name := range found {
			if _, err := os.Stat(name); err != nil {
				t.Fatal(err)
			}
		}
	}
}

func TestTheImageIsWhatTheSourcesGiveAndFitsInHalfOfTheChip(t *testing.T) {
	sources(t)
	for program, pkg := range map[string]string{"make": "make", "avr-gcc": "gcc-avr and avr-libc", "avr-objcopy": "binutils-avr"} {
		if _, err := exec.LookPath(program); err != nil {
			t.Fatalf("%v: install Debian's package %s", err, pkg)
		}
	}
	said, err := exec.Command("make", "-s", "BUILD="+t.TempDir(), "check").CombinedOutput()
	if err != nil {
		t.Fatalf("make check: %v\n%s", err, said)
	}
	t.Log(strings.TrimSpace(string(said)))
}
