package regset

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"fettle/nmra/cv/regtoml"
)

// File is a [Set] or a [Survey].
type File interface {
	Append(b []byte) []byte
}

// ReadAny reads a register set or a survey, whichever the file is: a survey says when it was made. Errors: as [Read].
func ReadAny(path string) (File, error) { return ReadAnyFor(path, nil) }

// ReadAnyFor is as [ReadAny], a set as with [ParseFor]; a survey of another type of decoder is refused.
func ReadAnyFor(path string, terms Terms) (File, error) {
	return read(path, func(file string, data []byte) (File, error) {
		doc, err := regtoml.Parse(file, data)
		if err != nil {
			return nil, err
		}
		if doc.Root().Has("when") {
			return parseSurvey(file, data, terms)
		}
		return ParseFor(file, data, terms)
	})
}

func read[T any](path string, parse func(string, []byte) (T, error)) (T, error) {
	data, err := ReadFile(path)
	if err != nil {
		var zero T
		return zero, err
	}
	return parse(path, data)
}

// ReadFile reads a file for regtoml.Parse, and no more of it than that takes. Errors: *regtoml.Errors for what [Regular]
// refuses, and for a file that is too large; those of opening and reading it.
func ReadFile(path string) ([]byte, error) {
	if err := Regular(path); err != nil {
		return nil, err
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	switch {
	case err != nil:
		return nil, err
	case info.Size() > regtoml.MaxBytes:
		return nil, regtoml.Refuse(path, "found %d bytes, want at most %d", info.Size(), regtoml.MaxBytes)
	}
	// A file that grows meanwhile, or that says no size: one byte more than may be tells.
	data, err := io.ReadAll(io.LimitReader(f, regtoml.MaxBytes+1))
	if err != nil {
		return nil, err
	}
	if len(data) > regtoml.MaxBytes {
		return nil, regtoml.Refuse(path, "found more than %d bytes, want at most that", regtoml.MaxBytes)
	}
	return data, nil
}

// Regular refuses what is there under a name and is no file: a folder, a device, or a named pipe, which would have to be waited
// for if it were opened. Errors: *regtoml.Errors; those of looking for it.
func Regular(path string) error {
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	var found string
	switch mode := info.Mode(); {
	case mode.IsRegular():
		return nil
	case mode.IsDir():
		found = "a folder"
	case mode&os.ModeNamedPipe != 0:
		found = "a named pipe"
	case mode&os.ModeSocket != 0:
		found = "a socket"
	default:
		found = "a device"
	}
	return regtoml.Refuse(path, "found %s, want a file", found)
}

// WriteFile writes a file whole or not at all: whatever happens meanwhile, path is what it was or has all of data, on disk. A file that
// is there already is replaced and keeps its permissions.
func WriteFile(path string, data []byte) (err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("writing %s: %w; it is as it was", path, err)
		}
	}()
	mode := os.FileMode(0o644)
	if info, err := os.Stat(path); err == nil {
		mode = info.Mode().Perm()
	}
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*")
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	err = errors.Join(err, f.Chmod(mode), f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	syncFolder(filepath.Dir(path))
	return nil
}

// syncFolder has the new name on disk too. Not every system can sync a folder, and the file is whole in any case.
func syncFolder(path string) {
	if folder, err := os.Open(path); err == nil {
		_ = folder.Sync()
		_ = folder.Close()
	}
}
