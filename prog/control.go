package prog

import "context"

// known asks eight times for what the decoder is known to hold, or for what it is known not to, and learns of the noise:
// acknowledgements that should come say how many are lost, silence how many come from nowhere.
func (s *Session) known(ctx context.Context, opposite bool) error {
	var certain chances
	certain[s.mark.Value] = 1
	s.belief.expect(&certain, &s.noise)
	for bit := range uint8(8) {
		q := question{bit: bit, value: s.mark.Value >> bit & 1}
		if opposite {
			q.value ^= 1
		}
		if !s.bits() {
			q = question{whole: true, value: s.mark.Value}
			if opposite {
				q.value = s.mark.Value%100 + 1 + bit // another value, and one that any mode can ask for
			}
		}
		acknowledged, err := s.do(ctx, q.access(s.mode, s.mark.Register.CV))
		if err != nil {
			return err
		}
		s.belief.learn(q, acknowledged)
	}
	s.noise = s.belief.noise()
	return nil
}

// vouching is how often the noise is looked into before a track counts as too noisy.
const vouching = 60

// vouch says whether the track is quiet enough to prove anything on it.
func (s *Session) vouch(ctx context.Context) (bool, error) {
	for n := 0; s.noise.beyond() >= hopeless; n++ {
		if n == vouching || s.mark.State != Proven {
			return false, nil
		}
		if err := s.known(ctx, n%2 == 0); err != nil {
			return false, err
		}
	}
	return true, nil
}
