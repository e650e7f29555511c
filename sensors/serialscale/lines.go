package serialscale

// Characters that set frames off.
const (
	stx = 0x02
	etx = 0x03
)

// lines cuts what comes over a wire into frames. It finds its way back by itself: after noise, and
// into a frame that was under way when the port was opened, it waits for the next beginning.
type lines struct {
	stx, etx bool // frames begin with STX, end with ETX; else at carriage return or line feed
	synced   bool // a frame's beginning was seen
	buf      []byte
}

// feed takes what came, and hands on each whole frame; frames are only valid until take returns.
// It reports how often more came than a frame can hold.
func (l *lines) feed(came []byte, take func(frame []byte)) (overlong int) {
	for _, c := range came {
		switch {
		case l.stx && c == stx:
			l.synced, l.buf = true, l.buf[:0]
		case l.ends(c):
			if l.synced && len(l.buf) > 0 {
				take(l.buf)
			}
			l.synced, l.buf = !l.stx, l.buf[:0]
		case !l.synced:
		case l.etx && len(l.buf) == 0 && (c == '\r' || c == '\n'): // they follow the ETX before
		case len(l.buf) == longest:
			l.synced, l.buf = false, l.buf[:0]
			overlong++
		default:
			l.buf = append(l.buf, c)
		}
	}
	return overlong
}

func (l *lines) ends(c byte) bool {
	if l.etx {
		return c == etx
	}
	return c == '\r' || c == '\n'
}
