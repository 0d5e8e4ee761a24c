package bench

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"path/filepath"
	"strings"

	"fettle/station"
)

func init() {
	station.Register("bench", func(rest string) (station.Station, error) {
		b, err := open(rest)
		if err != nil {
			return nil, err
		}
		return b, nil
	})
}

// Fresh forgets what the bench decoders that where names have held, so that the next Open takes new ones out of their boxes. where is
// what station.Open takes: "bench:tram-3". Errors: where is not of the bench; a file that can't be read; [station.ErrStation] while
// another command uses one of them.
func Fresh(where string) error {
	rest, ok := strings.CutPrefix(where, "bench:")
	if !ok {
		return fmt.Errorf("station %q: only a bench decoder can be taken out of its box anew, want bench: and the name of one", where)
	}
	found, err := find(rest)
	if err != nil {
		return err
	}
	for _, f := range found {
		if err := f.forget(); err != nil {
			return err
		}
	}
	return nil
}

const byDefault = "tram-3"

// open opens what follows "bench:".
func open(rest string) (*Bench, error) {
	t, err := OpenTrack(rest)
	if err != nil {
		return nil, err
	}
	return &Bench{track: t}, nil
}

// named is a decoder and the place on disk where it remembers.
type named struct {
	spec Spec
	path string // of its memory, without extension
}

// find finds the decoders that are named.
func find(rest string) ([]named, error) {
	switch rest {
	case "":
		rest = byDefault
	case "nothing":
		return nil, nil
	}
	var found []named
	for name := range strings.SplitSeq(rest, "+") {
		file, data, err := decoderFile(name)
		if err != nil {
			return nil, err
		}
		n := named{}
		if n.spec, err = ParseDecoder(file, data); err != nil {
			return nil, err
		}
		dir, err := stateDir()
		if err != nil {
			return nil, err
		}
		// By its content, so that a decoder whose file has been edited is a new one.
		sum := sha256.Sum256(data)
		n.path = filepath.Join(dir, strings.TrimSuffix(filepath.Base(file), ".toml")+"-"+hex.EncodeToString(sum[:6]))
		for _, other := range found {
			if other.path == n.path {
				return nil, fmt.Errorf("bench decoder %q: it is named twice, and there is only one", name)
			}
		}
		found = append(found, n)
	}
	return found, nil
}

// decoderFile reads a decoder file that is built in, or one of the user's.
func decoderFile(name string) (file string, data []byte, err error) {
	if !strings.HasSuffix(name, ".toml") {
		data, err = builtInFile(name)
		return name + ".toml", data, err
	}
	data, err = station.ReadFile("bench decoder", name)
	return name, data, err
}
