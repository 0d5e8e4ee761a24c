package report

// Ranked is a folder in its place among several.
type Ranked struct {
	Folder
	Place   int      // from 1; equal where nothing tells two apart
	Reasons []string // in sentences, the weightiest first: why it stands behind the one before it, or before the one behind it
}

// Rank puts folders in the order of what their trial files ask for: fit before undecided before unfit; then how many of the wanted speeds and leads
// are on target; then how far the worst predicted stop, with its interval, is from the target, in tolerances; then the bound. Where the trial files ask
// for different things, the reasons say so. A folder without a trial is last.
func Rank(folders []Folder) []Ranked { panic("not built yet") }
