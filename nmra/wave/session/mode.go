package session

// ServiceMode says whether the packet that was told last is one of service mode, and not one on a main track that has the same bytes.
func (l *Listener) ServiceMode() bool { return l.service && forService(l.last) }
