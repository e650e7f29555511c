package daemon

import (
	"context"
	"time"

	"standwatch/daemon/journal"
	"standwatch/sensors"
)

// seenLength is how many keys are remembered: a broker can owe one client no
// more than 65,535 messages, as many as there are packet ids.
const seenLength = 1 << 16

// seenFor is how long a sequence number without a time of its own counts as
// the same one: long enough for a gateway that sends its last readings again
// after a reconnect, short enough that an instrument which was restarted and
// counts from 1 again is not taken for its own past.
const seenFor = 2 * time.Minute

// seen remembers what came in, so that what comes a second time is dropped:
//   - by the payload's own sequence number, else by its own time, for the point,
//     where the value is the same too: an instrument that was restarted and counts
//     from 1 again is no duplicate, whether or not the broker sends it again (DUP);
//   - else by (client, packet id, hash of topic and payload), which counts only
//     for a message that the broker marks as sent again.
//
// Only the loop uses it.
type seen struct {
	points map[string]seenPoint
	index  map[uint64]uint32 // key -> place in the ring
	ring   []seenKey
	next   int
	owed   map[string]*[1 << 16]uint64 // client -> packet id -> hash of the newest message kept under it
}

type seenPoint struct {
	number   uint32
	quantity sensors.Quantity
}

type seenKey struct {
	key   uint64
	value float64
	at    time.Duration // since boot; before this run: negative
}

// remember rebuilds the memory from the journal's newest readings.
func remember(ctx context.Context, j *journal.Journal, points []sensors.Point) (*seen, error) {
	s := newSeen(points)
	var past []sensors.Reading
	for e, err := range j.Recent(ctx, seenLength) {
		if err != nil {
			return nil, err
		}
		if m, ok := reading(e); ok && (m.HasSeq || m.Own != 0) {
			past = append(past, m.Reading)
		}
	}
	for i := len(past) - 1; i >= 0; i-- { // oldest first, as they came
		s.put(s.key(&past[i]), s.value(&past[i]), -1)
	}
	receipts, err := j.Receipts(ctx)
	if err != nil {
		return nil, err
	}
	for _, r := range receipts {
		s.receipt(r)
	}
	return s, nil
}

func newSeen(points []sensors.Point) *seen {
	s := &seen{
		points: make(map[string]seenPoint, len(points)),
		index:  make(map[uint64]uint32),
		owed:   map[string]*[1 << 16]uint64{},
	}
	for i, p := range points {
		s.points[p.Name] = seenPoint{uint32(i), p.Quantity}
	}
	return s
}

// again reports whether a message that the broker marks as sent again is one
// whose readings are already in the journal.
func (s *seen) again(r sensors.Receipt) bool {
	if !r.Again || r.Client == "" {
		return false
	}
	hashes := s.owed[r.Client]
	return hashes != nil && hashes[r.Packet] == r.Hash && r.Hash != 0
}

// receipt remembers a message that goes into the next commit.
func (s *seen) receipt(r sensors.Receipt) {
	hashes := s.owed[r.Client]
	if hashes == nil {
		hashes = new([1 << 16]uint64)
		s.owed[r.Client] = hashes
	}
	hashes[r.Packet] = r.Hash
}

// before reports whether a reading with a key of its own came already, and
// remembers it where it did not.
func (s *seen) before(r *sensors.Reading, again bool, at time.Duration) bool {
	if !r.HasSeq && r.Own == 0 {
		return false
	}
	key, value := s.key(r), s.value(r)
	if i, ok := s.index[key]; ok {
		old := &s.ring[i]
		switch {
		case old.value != value: // the same number or time for something else: a restarted or coarse instrument
		case again, r.Own != 0:
			return true
		case old.at >= 0 && at-old.at <= seenFor:
			return true
		}
		old.value, old.at = value, at
		return false
	}
	s.put(key, value, at)
	return false
}

func (s *seen) put(key uint64, value float64, at time.Duration) {
	if i, ok := s.index[key]; ok {
		s.ring[i].value, s.ring[i].at = value, at
		return
	}
	if len(s.ring) < seenLength {
		s.index[key] = uint32(len(s.ring))
		s.ring = append(s.ring, seenKey{key, value, at})
		return
	}
	delete(s.index, s.ring[s.next].key)
	s.ring[s.next] = seenKey{key, value, at}
	s.index[key] = uint32(s.next)
	s.next = (s.next + 1) % seenLength
}

// value is a reading's value as the journal gives it back, so that what came
// before a restart and what comes after it compare.
func (s *seen) value(r *sensors.Reading) float64 {
	if r.Health.Grade >= sensors.Failed {
		return 0
	}
	return s.points[r.Point].quantity.Round(r.Value)
}

// key mixes point, own sequence and own time into 64 bits (the finalizer of
// splitmix64, by Steele, Lea and Flood 2014): two different ones meeting among
// 65,536 is less likely than one in four thousand million.
func (s *seen) key(r *sensors.Reading) uint64 {
	k := mix(uint64(s.points[r.Point].number) + 1)
	if r.HasSeq {
		k = mix(k ^ r.Seq)
	}
	return mix(k ^ uint64(r.Own)<<1 ^ 0x9e3779b97f4a7c15)
}

func mix(z uint64) uint64 {
	z += 0x9e3779b97f4a7c15
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}
