package people

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"standwatch/daemon/journal"
)

// untold is what the journal is still to be told: who had access belongs to
// the record. It is put on a shelf with the change itself and taken off once
// the journal has it, so that neither is without the other for long.
type untold struct{ By, Note string }

// tell puts a sentence on the shelf. Nothing secret goes into one.
func (s *Store) tell(tx *journal.Change, by, note string) error {
	n := 0
	key := func() string { return fmt.Sprintf("%020d-%04d", s.Now().Lived.Milliseconds(), n) }
	for {
		taken, err := tx.Get(untoldShelf, key(), &untold{})
		if err != nil {
			return err
		}
		if !taken {
			return tx.Put(untoldShelf, key(), untold{by, note})
		}
		n++
	}
}

// Tell hands over what the journal is still to be told, in order.
func (s *Store) Tell(ctx context.Context, tell func(ctx context.Context, by, note string) error) error {
	s.told.Lock()
	defer s.told.Unlock()
	var keys []string
	var all []untold
	shelf := s.j.Shelf(untoldShelf)
	err := shelf.Each(ctx, func(key string, body []byte) error {
		var u untold
		if err := json.Unmarshal(body, &u); err != nil {
			return err
		}
		keys, all = append(keys, key), append(all, u)
		return nil
	})
	for i, u := range all {
		if err == nil {
			err = errors.Join(tell(ctx, u.By, u.Note), ctx.Err())
		}
		if err == nil {
			err = shelf.Drop(keys[i])
		}
	}
	return err
}
