package link

import (
	"bufio"
	"bytes"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

const vectorsFile = "testdata/vectors.txt"

// vector is a line of the file: a frame and its bytes, or bytes without a frame.
type vector struct {
	place   string
	damaged bool
	frame   Frame
	bytes   []byte
}

func vectors(t testing.TB) []vector {
	t.Helper()
	file, err := os.Open(vectorsFile)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	var all []vector
	lines := bufio.NewScanner(file)
	for n := 1; lines.Scan(); n++ {
		v := vector{place: fmt.Sprintf("%s:%d", vectorsFile, n)}
		switch words := strings.Fields(lines.Text()); {
		case len(words) == 0 || words[0] == "#":
			continue
		case len(words) == 6 && words[0] == "frame" && words[4] == "=":
			head := append(unhex(t, v.place, words[1]), unhex(t, v.place, words[2])...)
			v.frame = NewFrame(Type(head[0]), head[1], unhex(t, v.place, strings.TrimPrefix(words[3], "-")))
			v.bytes = unhex(t, v.place, words[5])
		case len(words) == 2 && words[0] == "damaged":
			v.damaged, v.bytes = true, unhex(t, v.place, words[1])
		default:
			t.Fatalf("%s: no vector: %s", v.place, lines.Text())
		}
		all = append(all, v)
	}
	if err := lines.Err(); err != nil {
		t.Fatal(err)
	}
	return all
}

func unhex(t testing.TB, place, digits string) []byte {
	t.Helper()
	b, err := hex.DecodeString(digits)
	if err != nil {
		t.Fatalf("%s: %v", place, err)
	}
	return b
}

// takeAll is the frames that the reader finds in the bytes.
func takeAll(r *Reader, b []byte) (found []Frame) {
	for _, x := range b {
		if f, ok := r.Take(x); ok {
			found = append(found, f)
		}
	}
	return found
}

func TestAFrameIsTheBytesOfItsVectorAndTheyAreTheFrame(t *testing.T) {
	var r Reader
	seen := map[Type]bool{}
	for _, v := range vectors(t) {
		if v.damaged {
			continue
		}
		seen[v.frame.Type] = true
		if got := v.frame.Append(nil); !bytes.Equal(got, v.bytes) {
			t.Errorf("%s: Append gives % X, want % X", v.place, got, v.bytes)
		}
		if diff := cmp.Diff([]Frame{v.frame}, takeAll(&r, v.bytes), cmp.Comparer(same)); diff != "" {
			t.Errorf("%s: Take (-want +got):\n%s", v.place, diff)
		}
	}
	for n := range 256 {
		if _, _, ok := Type(n).Lengths(); ok != seen[Type(n)] {
			t.Errorf("type %#02x: there is such a frame: %v; it has a vector: %v", n, ok, seen[Type(n)])
		}
	}
}

func same(a, b Frame) bool { return a == b }

func TestADamagedVectorIsDroppedAndTheFrameBehindItIsFound(t *testing.T) {
	var r Reader
	behind := NewFrame(State, 77)
	for _, v := range vectors(t) {
		if !v.damaged {
			continue
		}
		got := takeAll(&r, behind.Append(v.bytes))
		if diff := cmp.Diff([]Frame{behind}, got, cmp.Comparer(same)); diff != "" {
			t.Errorf("%s: Take (-want +got):\n%s", v.place, diff)
		}
	}
}

// firmwareLink is the firmware's side of the link as a program for this machine, with every overrun and overflow in it fatal.
func firmwareLink(t *testing.T) string {
	t.Helper()
	for _, source := range []string{"testdata/vectors.c", "../firmware/portable/link.c", "../firmware/portable/link.h", "../firmware/portable/frames.h"} {
		if _, err := os.Stat(source); err != nil { // and so go test knows that it has to run again where one has changed
			t.Fatal(err)
		}
	}
	program := filepath.Join(t.TempDir(), "vectors")
	build := exec.Command("gcc", "-std=gnu11", "-O1", "-g", "-Wall", "-Wextra", "-Wconversion", "-Werror",
		"-fsanitize=address,undefined", "-fno-sanitize-recover=all", "-I", "../firmware/portable", "-o", program, "testdata/vectors.c", "../firmware/portable/link.c")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%v: %v\n%s", build, err, out)
	}
	return program
}

func TestTheFirmwareHoldsToTheSameVectors(t *testing.T) {
	if out, err := exec.Command(firmwareLink(t), vectorsFile).CombinedOutput(); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}

func TestTheFirmwareFindsInAnyBytesTheFramesThatGoFinds(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 12))
	var line []byte
	all := vectors(t)
	for range 20_000 {
		v := all[random.IntN(len(all))]
		line = append(line, v.bytes...)
		switch random.IntN(8) {
		case 0: // a bit of the last ones is flipped
			line[len(line)-1-random.IntN(min(len(line), 40))] ^= 1 << random.IntN(8)
		case 1: // the last ones are lost
			line = line[:len(line)-random.IntN(min(len(line), 20))]
		case 2: // noise, mostly of small bytes, which are zeros and short runs
			for range random.IntN(40) {
				line = append(line, byte(random.IntN(256)>>random.IntN(8)))
			}
		}
	}
	var want strings.Builder
	var r Reader
	found := takeAll(&r, line)
	for _, f := range found {
		payload := fmt.Sprintf("%X", f.Payload())
		if payload == "" {
			payload = "-"
		}
		fmt.Fprintf(&want, "%02X %02X %s = %X\n", uint8(f.Type), f.Number, payload, f.Append(nil))
	}
	if len(found) < 5000 {
		t.Fatalf("%d frames in %d bytes: too few to compare anything", len(found), len(line))
	}
	firmware := exec.Command(firmwareLink(t))
	firmware.Stdin = bytes.NewReader(line)
	got, err := firmware.Output()
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(strings.Split(want.String(), "\n"), strings.Split(string(got), "\n")); diff != "" {
		t.Errorf("frames in %d bytes (-Go +C):\n%s", len(line), diff)
	}
	t.Logf("%d frames in %d bytes", len(found), len(line))
}
