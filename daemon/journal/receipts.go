package journal

import (
	"context"
	"encoding/binary"

	"zombiezen.com/go/sqlite"

	"standwatch/sensors"
)

// receiptCount is what is stored of a client.
type receiptCount struct{ oldest, total int64 }

const receiptSize = 2 + 8 // packet and hash

// storeReceipts writes one row a client and prunes what is older than the
// newest receiptsKept of it.
func (j *Journal) storeReceipts(receipts []sensors.Receipt) error {
	byClient := map[string][]byte{}
	var clients []string
	for _, r := range receipts {
		if r.Client == "" {
			continue
		}
		b, ok := byClient[r.Client]
		if !ok {
			clients = append(clients, r.Client)
			b = make([]byte, 0, receiptSize*len(receipts))
		}
		b = binary.LittleEndian.AppendUint16(b, r.Packet)
		byClient[r.Client] = binary.LittleEndian.AppendUint64(b, r.Hash)
	}
	for _, c := range clients {
		n := int64(len(byClient[c]) / receiptSize)
		if err := execute(j.conn, `INSERT INTO receipts (client, count, blob) VALUES (?, ?, ?)`, c, n, byClient[c]); err != nil {
			return err
		}
		r := j.receipts[c]
		if r == nil {
			r = &receiptCount{oldest: j.conn.LastInsertRowID()}
			j.receipts[c] = r
		}
		r.total += n
		if err := j.prune(c, r); err != nil {
			return err
		}
	}
	return nil
}

func (j *Journal) prune(client string, r *receiptCount) error {
	for r.total > receiptsKept {
		n, err := number(j.conn, `SELECT count FROM receipts WHERE id = ?`, r.oldest)
		if err != nil || r.total-n < receiptsKept {
			return err
		}
		if err := execute(j.conn, `DELETE FROM receipts WHERE id = ?`, r.oldest); err != nil {
			return err
		}
		r.total -= n
		r.oldest, err = number(j.conn, `SELECT min(id) FROM receipts WHERE client = ?`, client)
		if err != nil {
			return err
		}
	}
	return nil
}

// forgetReceipts counts anew after a transaction that was undone.
func (j *Journal) forgetReceipts() {
	clearMap := map[string]*receiptCount{}
	err := rows(j.conn, `SELECT client, min(id), sum(count) FROM receipts GROUP BY client`, func(s *sqlite.Stmt) error {
		clearMap[s.ColumnText(0)] = &receiptCount{oldest: s.ColumnInt64(1), total: s.ColumnInt64(2)}
		return nil
	})
	if err != nil {
		j.log.Warn("journal: count the receipts", "error", err)
		return
	}
	j.receipts = clearMap
}

// Receipts returns the stored receipts, oldest first. Again is not stored.
func (r *Reader) Receipts(ctx context.Context) ([]sensors.Receipt, error) {
	var out []sensors.Receipt
	err := r.read(ctx, "read the receipts", func(conn *sqlite.Conn) error {
		return rows(conn, `SELECT client, blob FROM receipts ORDER BY id`, func(s *sqlite.Stmt) error {
			client := s.ColumnText(0)
			b := make([]byte, s.ColumnLen(1))
			s.ColumnBytes(1, b)
			for ; len(b) >= receiptSize; b = b[receiptSize:] {
				out = append(out, sensors.Receipt{
					Client: client, Packet: binary.LittleEndian.Uint16(b), Hash: binary.LittleEndian.Uint64(b[2:]),
				})
			}
			return nil
		})
	})
	return out, err
}
