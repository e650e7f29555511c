// Package stick writes files to a USB stick that the machine has mounted at a
// fixed place. It knows nothing of what is in them.
//
// A file goes down under another name, is synced, gets its name, all of the file
// system is synced, and it is read back past what the machine remembers of its
// bytes. What that does not prove: a stick may have kept it in a memory of its own,
// and may lose it later; and the folder's entry is not asked of the stick again.
package stick

import (
	"bufio"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"unicode/utf8"

	"golang.org/x/sys/unix"
)

// Trouble is why nothing can be written to a stick, in one of these words.
type Trouble struct {
	Kind string
	Err  error // may be nil
}

// What can be wrong.
const (
	None     = "none"      // nothing is mounted there
	Own      = "own"       // what is mounted there is mounted elsewhere too: a disk of the machine itself
	ReadOnly = "read-only" // mounted so, or the stick's switch
	Denied   = "denied"    // this user may not write there
	Full     = "full"
	Gone     = "gone"    // pulled out meanwhile, or broken
	Slow     = "slow"    // it did not get done in time
	Differs  = "differs" // what is read back is not what was written
	Busy     = "busy"    // it is being written to
	Other    = "other"
)

func (t *Trouble) Error() string {
	if t.Err == nil {
		return "the stick: " + t.Kind
	}
	return "the stick: " + t.Kind + ": " + t.Err.Error()
}

// Unwrap is what failed.
func (t *Trouble) Unwrap() error { return t.Err }

// Mount is what is mounted at a place.
type Mount struct {
	Device   string // such as 8:17
	Kind     string // such as vfat
	ReadOnly bool
}

// Disk is what writing needs of a file system: in tests one that fails.
type Disk interface {
	MkdirAll(dir string) error
	Create(name string) (File, error)
	Open(name string) (io.ReadCloser, error) // reads the device, not what the machine remembers
	Rename(from, to string) error
	Remove(name string) error
	SyncDir(dir string) error // and what hangs on it: a renamed file's entry
}

// File is a file that is being written.
type File interface {
	io.WriteCloser
	Sync() error
}

// Stick is the place at which sticks are mounted.
type Stick struct {
	Dir    string
	Disk   Disk                          // nil: the machine's
	Mounts func() (io.ReadCloser, error) // nil: the kernel's own list

	busy atomic.Bool
}

// Source is a file to be written.
type Source struct {
	Name string
	Body io.Reader
}

// Written is a file that lies on the stick.
type Written struct {
	Name, Sum string // SHA-256 in hex
	Size      int64
}

// Busy reports whether the stick is being written to.
func (s *Stick) Busy() bool { return s.busy.Load() }

// Look finds the stick; a *Trouble where there is none to write to. The kernel's
// list of mounts is asked, not the folder: the folder is there without a stick,
// and what is written into it lies on the machine.
func (s *Stick) Look() (Mount, error) {
	if s.Mounts != nil {
		r, err := s.Mounts()
		if err != nil {
			return Mount{}, &Trouble{Other, err}
		}
		defer r.Close()
		return find(r, filepath.Clean(s.Dir))
	}
	r, err := os.Open("/proc/self/mountinfo")
	if err != nil {
		return Mount{}, &Trouble{Other, err}
	}
	defer r.Close()
	m, err := find(r, filepath.Clean(s.Dir))
	if err != nil {
		return m, err
	}
	var st unix.Stat_t
	if err := unix.Stat(s.Dir, &st); err != nil {
		return m, judge(err)
	}
	if on := fmt.Sprintf("%d:%d", unix.Major(st.Dev), unix.Minor(st.Dev)); on != m.Device { // it lies beneath something else
		return m, &Trouble{Kind: None}
	}
	return m, nil
}

// find reads a list of mounts as proc(5) has it: ID, parent's ID, device, root,
// place, options, optional fields, a hyphen, kind, source, the kind's options.
// Of several at one place the last lies on top. What shows a part of another file
// system there (a service's own view of a folder that it may write) is no stick.
func find(list io.Reader, dir string) (m Mount, err error) {
	places := map[string][]string{} // by device
	lines := bufio.NewScanner(list)
	for lines.Scan() {
		f := strings.Fields(lines.Text())
		hyphen := -1
		for i, w := range f {
			if w == "-" && i >= 6 {
				hyphen = i
				break
			}
		}
		if hyphen < 0 || len(f) < hyphen+4 {
			continue
		}
		place := unescape(f[4])
		if f[3] != "/" {
			continue
		}
		places[f[2]] = append(places[f[2]], place)
		if place == dir {
			ro := func(options string) bool { return strings.Contains(","+options+",", ",ro,") }
			m = Mount{Device: f[2], Kind: f[hyphen+1], ReadOnly: ro(f[5]) || ro(f[hyphen+3])}
		}
	}
	if err := lines.Err(); err != nil {
		return m, &Trouble{Other, err}
	}
	switch {
	case m == Mount{} || m.Kind == "autofs":
		return Mount{}, &Trouble{Kind: None}
	case slices.ContainsFunc(places[m.Device], func(p string) bool { return p != dir }):
		return m, &Trouble{Kind: Own}
	case m.ReadOnly:
		return m, &Trouble{Kind: ReadOnly}
	}
	return m, nil
}

// unescape reads a blank, tab, line feed or backslash as the kernel writes it.
func unescape(s string) string {
	return strings.NewReplacer(`\040`, " ", `\011`, "\t", `\012`, "\n", `\134`, `\`).Replace(s)
}

// Name is a name that FAT takes, for a file or a folder.
func Name(name string) string {
	name = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || strings.ContainsRune(`"*/:<>?\|`, r) {
			return '-'
		}
		return r
	}, name)
	for len(name) > 120 { // of 255 UTF-16 units; each byte is one at most
		_, n := utf8.DecodeLastRuneInString(name)
		name = name[:len(name)-n]
	}
	name = strings.TrimLeft(strings.TrimRight(name, " ."), " ")
	stem, _, _ := strings.Cut(strings.ToUpper(name), ".")
	switch stem {
	case "", "CON", "PRN", "AUX", "NUL", "COM1", "COM2", "COM3", "COM4", "COM5", "COM6", "COM7", "COM8", "COM9",
		"LPT1", "LPT2", "LPT3", "LPT4", "LPT5", "LPT6", "LPT7", "LPT8", "LPT9": // names of devices to some machines
		name = "_" + name
	}
	return name
}

// Write puts files into a folder of the stick, each whole or not at all, and
// reads them back. It waits no longer than ctx; a stick that hangs then keeps
// the place busy until it answers or is pulled out.
func (s *Stick) Write(ctx context.Context, folder string, files []Source) ([]Written, error) {
	if !s.busy.CompareAndSwap(false, true) {
		return nil, &Trouble{Kind: Busy}
	}
	type end struct {
		written []Written
		err     error
	}
	done := make(chan end, 1)
	go func() {
		w, err := s.write(ctx, folder, files)
		s.busy.Store(false) // before anybody hears that it is done
		done <- end{w, err}
	}()
	select {
	case e := <-done:
		return e.written, e.err
	case <-ctx.Done():
		return nil, &Trouble{Slow, ctx.Err()}
	}
}

func (s *Stick) write(ctx context.Context, folder string, files []Source) (all []Written, err error) {
	disk := s.Disk
	if disk == nil {
		disk = machine{}
	}
	before, err := s.Look()
	if err != nil {
		return nil, err
	}
	for i, f := range files { // one would lie over the other; FAT knows no capitals
		if slices.ContainsFunc(files[:i], func(o Source) bool { return strings.EqualFold(Name(o.Name), Name(f.Name)) }) {
			return nil, &Trouble{Other, fmt.Errorf("two files would be called %s", Name(f.Name))}
		}
	}
	into := filepath.Join(s.Dir, Name(folder))
	err = disk.MkdirAll(into)
	if err == nil {
		err = disk.SyncDir(s.Dir)
	}
	for _, f := range files {
		if err != nil {
			break
		}
		var w Written
		if w, err = one(ctx, disk, into, f); err == nil {
			all = append(all, w)
		}
	}
	after, lerr := s.Look()
	var t *Trouble
	switch {
	case lerr != nil && !errors.As(lerr, &t):
		return nil, lerr
	case t != nil && (t.Kind == None || t.Kind == ReadOnly && err == nil), after.Device != before.Device: // a kernel that meets errors mounts read-only
		return nil, &Trouble{Gone, errors.Join(err, lerr)}
	case err != nil:
		return nil, judge(err)
	}
	return all, nil
}

// one writes a file and reads it back.
func one(ctx context.Context, disk Disk, dir string, src Source) (w Written, err error) {
	w.Name = Name(src.Name)
	name := filepath.Join(dir, w.Name)
	tmp := name + ".part"
	f, err := disk.Create(tmp)
	if err != nil {
		return w, err
	}
	h := sha256.New()
	w.Size, err = io.Copy(io.MultiWriter(f, h), until(ctx, src.Body))
	w.Sum = hex.EncodeToString(h.Sum(nil))
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err == nil {
		err = disk.Rename(tmp, name)
	}
	if err == nil {
		err = disk.SyncDir(dir)
	}
	if err != nil {
		_ = disk.Remove(tmp) // as far as it is still there
		return w, err
	}
	back, err := disk.Open(name)
	if err != nil {
		return w, err
	}
	defer back.Close()
	h.Reset()
	if _, err := io.Copy(h, until(ctx, back)); err != nil {
		return w, err
	}
	if hex.EncodeToString(h.Sum(nil)) != w.Sum {
		return w, &Trouble{Differs, fmt.Errorf("%s", w.Name)}
	}
	return w, nil
}

// reading is a function that reads.
type reading func(p []byte) (int, error)

func (r reading) Read(p []byte) (int, error) { return r(p) }

// until is a reader that ends with a context.
func until(ctx context.Context, r io.Reader) io.Reader {
	return reading(func(p []byte) (int, error) {
		if err := ctx.Err(); err != nil {
			return 0, err
		}
		return r.Read(p)
	})
}

// judge names what went wrong.
func judge(err error) error {
	var t *Trouble
	if errors.As(err, &t) {
		return t
	}
	for _, k := range []struct {
		kind string
		of   []error
	}{
		{Slow, []error{context.DeadlineExceeded, context.Canceled}},
		{Full, []error{syscall.ENOSPC, syscall.EDQUOT, syscall.EFBIG}},
		{ReadOnly, []error{syscall.EROFS}},
		{Gone, []error{syscall.EIO, syscall.ENODEV, syscall.ENXIO, syscall.ENOMEDIUM, fs.ErrNotExist}},
		{Denied, []error{fs.ErrPermission}},
	} {
		for _, of := range k.of {
			if errors.Is(err, of) {
				return &Trouble{k.kind, err}
			}
		}
	}
	return &Trouble{Other, err}
}

// machine is the file system as it is.
type machine struct{}

func (machine) MkdirAll(dir string) error { return os.MkdirAll(dir, 0o755) }

func (machine) Create(name string) (File, error) { return os.Create(name) }

// Open lets the kernel forget what it remembers of a file that has been synced,
// so that reading asks the stick.
func (machine) Open(name string) (io.ReadCloser, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	if err := unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}

func (machine) Rename(from, to string) error { return os.Rename(from, to) }

func (machine) Remove(name string) error { return os.Remove(name) }

// SyncDir brings all of the stick's file system onto it, not the folder alone: a
// renamed file's new entry on FAT has neither its size nor its place until the
// kernel writes the file's inode, which a sync of the folder leaves undone. Pulled
// out before that, the file was there and empty (seen by deploy/debian/try).
func (machine) SyncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(unix.Syncfs(int(d.Fd())), d.Sync(), d.Close()) // the second also empties the stick's own cache
}
