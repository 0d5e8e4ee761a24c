package capture

import (
	"errors"
	"io"
)

func newWAV(io.Reader, Options) (reader, error) { return nil, errors.New("WAV files can't be read yet") }
