//go:build unix

package port

import (
	"errors"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"fettle/station"
)

func TestWhoMayNotOpenAPortIsToldTheGroupToJoinAndToLogInAnew(t *testing.T) {
	err := error(refused{"/dev/ttyUSB0", owner{group: "harbour", person: "ada"}})
	for _, want := range []string{"/dev/ttyUSB0", "permission denied", "group harbour", "log out and in again",
		"\nto join it:  sudo usermod --append --groups harbour ada"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%v does not say %q", err, want)
		}
	}
	if !errors.Is(err, station.ErrStation) || errors.Is(err, station.ErrLost) {
		t.Errorf("%v: want that the station failed, and is not lost", err)
	}
	for want, o := range map[string]owner{"no group": {person: "ada"}, "another program uses it": {exclusive: true}} {
		if got := (refused{"COM3", o}).Error(); !strings.Contains(got, want) || strings.Contains(got, "usermod") {
			t.Errorf("%+v: %s, want %q", o, got, want)
		}
	}
}

func TestTheGroupIsThatOfTheDeviceWhereItMayReadAndWrite(t *testing.T) {
	if os.Getuid() != 0 {
		t.Skip("only root gives a file to a group that it is not in")
	}
	file := filepath.Join(t.TempDir(), "ttyUSB0")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	group, err := user.LookupGroup("nogroup")
	if err != nil {
		t.Skip(err)
	}
	gid, err := strconv.Atoi(group.Gid)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		gid  int
		mode os.FileMode
		want string
	}{
		{gid, 0o660, "nogroup"},
		{gid, 0o640, ""},
		{gid, 0o600, ""},
		{4711, 0o660, "4711"}, // a group without a name
		{0, 0o660, ""},
	} {
		if err := errors.Join(os.Chown(file, 0, c.gid), os.Chmod(file, c.mode)); err != nil {
			t.Fatal(err)
		}
		if got := ownerOf(file); got.group != c.want || got.person == "" {
			t.Errorf("group %d, %o: %+v, want %q", c.gid, c.mode, got, c.want)
		}
	}
	if got := ownerOf(file + "0"); got.group != "" {
		t.Errorf("what is not there belongs to %+v", got)
	}
}

func TestEachReasonNotToOpenHasItsWords(t *testing.T) {
	for want, err := range map[string]error{
		"it is not there":         syscall.ENXIO,
		"another program uses it": syscall.EBUSY,
		"permission denied":       syscall.EACCES,
		"115200 baud":             syscall.ENOTTY,
	} {
		if got := whyNotOpen(os.DevNull, Settings{}, err); !strings.Contains(got.Error(), want) {
			t.Errorf("%v: %v, want %q", err, got, want)
		}
	}
}

func TestWhoNamesAPortThatIsNotThereIsToldWhichAre(t *testing.T) {
	for want, c := range map[string]struct {
		ports []Info
		err   error
	}{
		"there are /dev/ttyACM0, /dev/ttyUSB1;": {ports: []Info{{Name: "/dev/ttyACM0"}, {Name: "/dev/ttyUSB1"}}},
		"has none":                              {},
		"no such tree":                          {err: errors.New("no such tree")},
	} {
		if got := portsThere(c.ports, c.err); !strings.Contains(got, want) {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
