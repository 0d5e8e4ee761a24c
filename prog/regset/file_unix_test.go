//go:build unix

package regset

import (
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

func TestWhatIsNoFileIsRefusedBeforeItIsOpened(t *testing.T) {
	pipe := filepath.Join(t.TempDir(), "set.toml")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]string{
		pipe:        "found a named pipe, want a file",
		"/dev/null": "found a device, want a file",
		t.TempDir(): "found a folder, want a file",
	} {
		if _, err := ReadFile(path); err == nil || !strings.HasPrefix(err.Error(), path+":1:1: "+want) {
			t.Errorf("%s: %v, want %s", path, err, want)
		}
	}
}
