package prog

// What a register may be found to be: one of its 256 values, or absent.
const (
	absent     = 256
	hypotheses = 257
)

// belief is what is known of one register while it is asked: the joint chance of each hypothesis and each level of noise, by
// Bayes' rule. Registers are independent of each other once the noise is known, so that what one register says of the
// noise is carried to the next (noise), and nothing else.
//
// Hypotheses to which all answers so far speak alike are kept as one class. A question splits each class in two at most, so there are
// few of them.
type belief struct {
	prior        chances // adds up to 1
	class        [hypotheses]int
	classes      []class
	chance       [hypotheses]float64 // of each hypothesis, whatever the noise; adds up to 1
	acknowledged [256]bool           // a verify of this byte has been
	asked        int
}

// class is hypotheses that the answers so far speak to alike.
type class struct {
	share  float64 // of the prior
	weight noise   // of each level of noise, times what the answers say of the class under it; times share it is the joint chance
	sum    float64 // of weight
	size   int     // how many hypotheses
	split  int     // while learning: the class that its acknowledging part becomes
	yes    int     // while learning: how many of its hypotheses acknowledge
}

// expect starts the belief from the chances of each hypothesis, and the noise.
func (b *belief) expect(prior *chances, n *noise) {
	b.begin(prior)
	b.classes = append(b.classes[:0], class{share: 1, weight: *n, size: hypotheses})
	b.settle()
}

func (b *belief) begin(prior *chances) {
	var sum float64
	for _, p := range prior {
		sum += p
	}
	for h, p := range prior {
		b.prior[h] = p / sum
	}
	clear(b.class[:])
	b.acknowledged = [256]bool{}
	b.asked = 0
}

// learn takes in the answer to a question.
func (b *belief) learn(q question, acknowledged bool) {
	b.asked++
	if q.whole && acknowledged {
		b.acknowledged[q.value] = true
	}
	b.part(q)
	var yes, no noise
	for l := range yes {
		lost, spurious := level(l)
		yes[l], no[l] = 1-lost, spurious
		if !acknowledged {
			yes[l], no[l] = lost, 1-spurious
		}
	}
	for c := range b.classes {
		factor := &no
		if b.classes[c].yes > 0 {
			factor = &yes
		}
		weight := &b.classes[c].weight
		for l := range weight {
			weight[l] *= factor[l]
		}
	}
	b.settle()
}

// part splits the classes so that all of one class acknowledges the question, or none; yes then says which.
func (b *belief) part(q question) {
	for c := range b.classes {
		b.classes[c].yes, b.classes[c].split = 0, c
	}
	for h := range b.class {
		if q.yes(h) {
			b.classes[b.class[h]].yes++
		}
	}
	for c := range b.classes {
		if old := &b.classes[c]; old.yes > 0 && old.yes < old.size {
			old.split = len(b.classes)
			old.size -= old.yes
			b.classes = append(b.classes, class{weight: old.weight, yes: old.yes, size: old.yes})
			b.classes[c].yes = 0
		}
	}
	for c := range b.classes {
		b.classes[c].share = 0
	}
	for h := range b.class {
		if q.yes(h) {
			b.class[h] = b.classes[b.class[h]].split
		}
		b.classes[b.class[h]].share += b.prior[h]
	}
}

// settle makes the joint chances add up to 1 and chance agree with them.
func (b *belief) settle() {
	var all float64
	for c := range b.classes {
		for _, w := range b.classes[c].weight {
			all += w * b.classes[c].share
		}
	}
	for c := range b.classes {
		weight := &b.classes[c].weight
		b.classes[c].sum = 0
		for l := range weight {
			weight[l] /= all
			b.classes[c].sum += weight[l]
		}
	}
	for h := range b.chance {
		b.chance[h] = b.prior[h] * b.classes[b.class[h]].sum
	}
}

// noise is what the answers so far leave to be believed of the noise.
func (b *belief) noise() noise {
	var n noise
	var sum float64
	for c := range b.classes {
		for l, w := range b.classes[c].weight {
			n[l] += w * b.classes[c].share
		}
	}
	for l := range n {
		n[l] = max(n[l], leastWeight)
		sum += n[l]
	}
	for l := range n {
		n[l] /= sum
	}
	return n
}

// rates are the chances that an acknowledgement goes missing, and that one comes from nowhere.
func (b *belief) rates() (lost, spurious float64) {
	n := b.noise()
	return n.rates()
}

// likeliest is the hypothesis with the highest chance.
func (b *belief) likeliest() (h int) {
	for i, p := range b.chance {
		if p > b.chance[h] {
			h = i
		}
	}
	return h
}

// proven says whether the likeliest hypothesis has a chance of being wrong of at most bound. A value has also been acknowledged as
// a whole byte.
func (b *belief) proven(bound float64) (h int, ok bool) {
	n := b.noise()
	return b.settled(func(d *doubt) bool { return d.within(bound, &n, careful) })
}

// noAnswer is the chance that there is an answer, from which on none is waited for any more.
const noAnswer = 0.01

// answering is proven, but for a register that is likely to be absent, where nothing but further questions follows from it.
func (b *belief) answering(bound float64) (h int, ok bool) {
	if h := b.likeliest(); h == absent && b.chance[h] > 1-noAnswer {
		return h, true
	}
	return b.proven(bound)
}

// provisional says whether the same would hold if only the levels of noise counted that are likely now. On a clean track that is all
// it takes, but it takes many registers to know.
func (b *belief) provisional(bound float64) (h int, ok bool) {
	n := b.noise()
	return b.settled(func(d *doubt) bool { return d.under(bound, &n, likely) })
}

func (b *belief) settled(enough func(*doubt) bool) (h int, ok bool) {
	h = b.likeliest()
	if h < absent && !b.acknowledged[h] {
		return h, false
	}
	d := b.doubt(h)
	return h, enough(&d)
}

// doubt is the chance that what a register was found to be is wrong, under each level of noise.
type doubt [levels]float64

// doubt sums up the other hypotheses, since 1 - chance would lose its digits.
func (b *belief) doubt(h int) (d doubt) {
	var all doubt
	for c := range b.classes {
		share := b.classes[c].share
		others := share
		if c == b.class[h] {
			others = b.shareWithout(h)
		}
		for l, w := range b.classes[c].weight {
			all[l] += w * share
			d[l] += w * others
		}
	}
	for l := range d {
		if all[l] > 0 {
			d[l] /= all[l]
		}
	}
	return d
}

// shareWithout is the share of the class of h, but for h.
func (b *belief) shareWithout(h int) (share float64) {
	for i, c := range b.class {
		if c == b.class[h] && i != h {
			share += b.prior[i]
		}
	}
	return share
}

// average is the doubt where the noise is not known for certain.
func (d *doubt) average(n *noise) (wrong float64) {
	for l := range d {
		wrong += n[l] * d[l]
	}
	return wrong
}

// within says whether the doubt is at most bound, on the average and under every level of noise that counts: careful or quick.
func (d *doubt) within(bound float64, n *noise, counts float64) bool {
	return d.under(bound, n, counts) && d.average(n) <= bound
}

// scaled is the doubt where the other hypotheses were so many times as likely to begin with.
func (d doubt) scaled(times float64) doubt {
	for l, p := range d {
		d[l] = p * times / (p*times + 1 - p)
	}
	return d
}

// under says whether the doubt is at most bound under each level of noise that has at least that weight.
func (d *doubt) under(bound float64, n *noise, weight float64) bool {
	for l := range d {
		if n[l] >= weight && d[l] > bound {
			return false
		}
	}
	return true
}

// reopen goes on with a register that was found to be h, with that much doubt. What spoke for or against it is kept; the other
// hypotheses share the doubt as they did before it was asked.
func (b *belief) reopen(prior *chances, h int, d *doubt, n *noise) {
	b.begin(prior)
	found, others := class{share: b.prior[h], size: 1}, class{share: 1 - b.prior[h], size: hypotheses - 1}
	for l := range n {
		found.weight[l] = n[l] * (1 - d[l]) / found.share
		others.weight[l] = n[l] * d[l] / others.share
	}
	b.classes = append(b.classes[:0], others, found)
	b.class[h] = 1
	if h < absent {
		b.acknowledged[h] = true
	}
	b.settle()
}
