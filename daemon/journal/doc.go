// Package journal is the one ordered, durable record: readings, marks, starts
// and clock anchors, with the findings and cursors that stand beside them.
//
// # The files
//
// A journal is a directory of its own:
//
//	journal.db      one SQLite database: everything
//	journal.db-wal  its write-ahead log: commits not yet moved into the database
//	journal.db-shm  the log's index, shared by the processes that have it open
//	journal.lock    locked (flock) by the one writer; holds its process number
//
// One process writes, through one connection and one transaction at a time.
// Any process may read, while the writer runs or not, in short transactions: a
// page of entries by their sequence numbers, never a whole night, since a long
// reader keeps the log from being emptied. Nothing else ever opens the files:
// closing any other handle on the database drops SQLite's locks on it. To copy
// a journal, stop the writer or use export.
//
// Tables: batches and events are the entries; points names what the readings
// are of; findings, cursors, frozen (the clock anchor by which a follower
// stamps a boot), quarantine (what the other side refused for good) and
// receipts (which messages the entries came by) stand beside them, in the same
// transactions. Roll-ups (rollup.go) are what stretches of readings come to,
// for long curves; they can be made again. The shelf (shelf.go) holds what is of the box and not of the
// site: people, sessions, messages on their way; photos are kept by the hash
// that a mark names. All are STRICT; every time is a whole number of milliseconds.
// The schema's version is in user_version; an older one grows when it is opened
// for writing, a newer one is refused.
//
// # The order
//
// The sequence number is the total order of everything that came in. A batch
// is a run of readings of one boot without a mark between them; each mark,
// start and anchor is an event with a number of its own. Numbers have no gaps.
// Neither does time go back: an entry that lies before the last one is refused.
//
// A batch's readings stand in a blob (batch.go), told against the reading
// before: some ten bytes each. Values are whole counts, whose size the point's
// quantity fixes, so that a value is the same before and after. Taken is stored
// as it was computed, never derived again by a later anchor. Sealing (block.go)
// replaces the batches of an hour by one block of columns for each point,
// compressed: under one byte a reading where instruments keep an even beat.
// The first byte of a blob is its format.
//
// # The chain
//
// Each 4,096 entries are a link (chain.go): the SHA-256 of the link before and
// of the entries as lines of text (chain_line.go), in which nothing shows how
// they are stored. A link follows from the entries and is kept all the same, on
// a shelf, from soon after they came, as is the hash of those behind it that
// fill none yet (the tail): whoever changes an entry later changes it away from
// its link, and the chain is carried no further. A bundle carries the lines and
// the chain out, and says which entries no link or tail had reached.
//
// # What a crash can leave
//
// A crash is the end of the process at any instruction, or of the power at any
// moment. For each operation, what can be found afterwards:
//
//	Open, new   no file, an empty database or the whole schema. The schema is one transaction; an empty
//	            database is told by having no table and no version, and is made anew. While the file changes
//	            to a write-ahead log, synchronous is EXTRA: else a rollback journal whose removal had not
//	            reached the disk could come back and undo everything.
//	Append      all entries of the call with their receipts, or none. All, if Append returned. A torn tail of
//	            the log is told by its check sums and was never acknowledged. After an error (a full disk)
//	            none, and the next call takes the same numbers.
//	Find        all findings of the call or none. Found again after the restart they are known by their key,
//	            so that none is stored or sent twice.
//	SetCursor   the old place or the new one. The old one means that the other side is told again what it had
//	            already accepted, which it must recognise.
//	Freeze      no anchor or the anchor; no stamp was given out before it was stored.
//	Seal        the batches or the block, never both or neither: one transaction deletes and inserts. A block
//	            covers the very numbers of its batches, so a reader that goes on by number after the change
//	            misses and repeats nothing.
//	Chain       each link or not, the newest tail or an older one; the next call makes the same ones. What came
//	            between the tail and the crash is chained then, and counts as unchained in a bundle made before.
//	Quarantine, Points, Photo   the row or none.
//	Change      all of a change to the shelf or nothing of it.
//	Grow        the old schema or the new one: one transaction.
//	the lock    nothing: the kernel lets go of it with the process. The file stays and is no lock.
//
// A database that is damaged all the same (a dying card) is an error that says
// so. A blob that does not decode is an error at that place; the entries before
// it have been yielded.
//
// # We assume
//
//  1. A write that fsync has confirmed survives a power cut. A card that lies
//     about it can lose the newest commits, and no program can help that.
//  2. A sector is written whole, or SQLite's check sums tell; the same sums tell
//     a page of the log that was never written.
//  3. Writing one file does not damage another part of it or another file.
//  4. The directory is on a local file system with working POSIX locks and
//     shared memory: not on a network share.
//  5. Whoever reads may write in the directory, since even a reader must be able
//     to make the log's index; a reader without that right needs a running writer.
//  6. Nobody but this package opens, moves or deletes the files while they are open.
//  7. Times since boot and walls fit in 63 bits of milliseconds, and counts in
//     50 bits: then a value becomes the same count again.
package journal
