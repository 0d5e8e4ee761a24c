package station

import (
	"fmt"
	"io"
	"os"

	"fettle/nmra/cv/regtoml"
)

// ReadFile reads a file of the user's that describes a station, or what stands on one, for regtoml.Parse; what says which, for errors:
// "bench decoder". Errors: *regtoml.Errors for what is no file; those of opening and reading it. Of one that is too large it reads no more
// than shows that.
func ReadFile(what, name string) ([]byte, error) {
	failed := func(err error) ([]byte, error) { return nil, fmt.Errorf("%s: %w", what, err) }
	// Looked at before it is opened: a named pipe would have to be waited for.
	info, err := os.Stat(name)
	if err != nil {
		return failed(err)
	}
	if !info.Mode().IsRegular() {
		return nil, regtoml.Refuse(name, "found a folder, a pipe or a device, want a file")
	}
	f, err := os.Open(name)
	if err != nil {
		return failed(err)
	}
	defer f.Close()
	// One byte more than the reader of the file takes, so that it can refuse a larger one.
	data, err := io.ReadAll(io.LimitReader(f, regtoml.MaxBytes+1))
	if err != nil {
		return failed(err)
	}
	return data, nil
}
