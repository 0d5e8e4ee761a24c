package capture

import "time"

// Doubt is by how much a half may be off: by a step of a dump; by an interval of the samples, or an eighth of it in a WAV file, whose samples
// come through a filter that rounds the edges (the slicer's table has what was measured).
func (i Info) Doubt() time.Duration {
	if i.Form == WAV {
		return i.Step / 8
	}
	return i.Step
}
