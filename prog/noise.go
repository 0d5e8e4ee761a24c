package prog

// levels of noise that are told apart: how often an acknowledgement goes missing, and how often one comes from nowhere. The first
// of each is a clean track, the second one that is hardly less. The steps are coarse: a level only has to say how often to ask. The
// last of each is beyond what can be vouched for: a track that is likely to be as noisy as that, or more, proves nothing.
var (
	lostLevels     = [...]float64{1e-5, 0.002, 0.02, 0.05, 0.1, 0.2, 0.35, 0.5}
	spuriousLevels = [...]float64{1e-7, 0.001, 0.01, 0.03, 0.07, 0.15}
)

const (
	levels = len(lostLevels) * len(spuriousLevels)

	// How likely each kind of noise is held to be before anything has been asked: none, or hardly any; the rest is shared by
	// the other levels. Tracks that are clean but for one pulse in a thousand are taken to be rare, since
	// ruling them out would take thousands of questions; one pulse amiss makes the reader reckon with them.
	clean    = 0.9
	slightly = 0.0005

	// The same of acknowledgements that come from nowhere, on a track on which some go missing: dirt does both, and the
	// first is seen at once, the second hardly ever.
	cleanAllTheSame = 0.3
	slightlyThen    = 0.3

	// A level of noise counts from some weight on: a value is proven only when it is under each level that counts. So the
	// bound holds on a noisy track too, not just on the average of all tracks. careful takes in the hardly noisy levels, which
	// takes one acknowledgement more for each value; quick leaves them to the average.
	careful = 1e-4
	quick   = 1e-3

	// likely is the weight of a level that will probably turn out to be the right one, or next to it.
	likely = 0.1

	// hopeless is the weight of the last levels, together, from which on nothing counts as proven.
	hopeless = 0.05

	// leastWeight keeps every level within reach, for a track that gets dirty in the middle of a session.
	leastWeight = 1e-9
)

// noise is how likely each level of noise is, from all registers read so far. It adds up to 1.
type noise [levels]float64

func level(l int) (lost, spurious float64) {
	return lostLevels[l/len(spuriousLevels)], spuriousLevels[l%len(spuriousLevels)]
}

// newNoise is what is believed of a track that nothing is known of.
func newNoise() noise {
	lost := shares(len(lostLevels), clean, slightly)
	quiet := shares(len(spuriousLevels), clean, slightly)
	dirty := shares(len(spuriousLevels), cleanAllTheSame, slightlyThen)
	var n noise
	for l := range n {
		of := dirty
		if l/len(spuriousLevels) == 0 {
			of = quiet
		}
		n[l] = lost[l/len(spuriousLevels)] * of[l%len(spuriousLevels)]
	}
	return n
}

// shares gives the first level and the second their chances, and the others equal parts of the rest.
func shares(of int, first, second float64) []float64 {
	s := make([]float64, of)
	for i := range s {
		s[i] = (1 - first - second) / float64(of-2)
	}
	s[0], s[1] = first, second
	return s
}

// rates are the expected chances that an acknowledgement goes missing and that one comes from nowhere.
func (n *noise) rates() (lost, spurious float64) {
	for l, weight := range n {
		a, b := level(l)
		lost += weight * a
		spurious += weight * b
	}
	return lost, spurious
}

// beyond is how likely it is that the track is too noisy to prove anything.
func (n *noise) beyond() (weight float64) {
	for l, w := range n {
		if l/len(spuriousLevels) == len(lostLevels)-1 || l%len(spuriousLevels) == len(spuriousLevels)-1 {
			weight += w
		}
	}
	return weight
}
