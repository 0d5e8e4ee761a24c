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

// run makes a target of the Makefile in a folder of the test's, and gives what it said.
func run(t *testing.T, target string, needs map[string]string) (folder, said string) {
	t.Helper()
	for program, pkg := range needs {
		if _, err := exec.LookPath(program); err != nil {
			t.Fatalf("%v: install Debian's package %s", err, pkg)
		}
	}
	folder = t.TempDir()
	out, err := exec.Command("make", "-s", "BUILD="+folder, target).CombinedOutput()
	if err != nil {
		t.Fatalf("make %s: %v\n%s", target, err, out)
	}
	return folder, strings.TrimSpace(string(out))
}

func TestTheImageIsWhatTheSourcesGiveAndFitsInHalfOfTheChip(t *testing.T) {
	sources(t)
	_, said := run(t, "check", map[string]string{"make": "make", "avr-gcc": "gcc-avr and avr-libc", "avr-objcopy": "binutils-avr"})
	t.Log(said)
}
