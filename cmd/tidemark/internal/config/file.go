package config

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"syscall"
	"time"

	"tidemark/alert/text"
)

// fileError is an error that is a sentence of the catalogue.
type fileError string

func (e fileError) Error() string { return text.New(text.Locale{}).Error(e) }

// Sentence returns the error as a sentence of the catalogue.
func (e fileError) Sentence() (key string, values map[string]any) { return "refused." + string(e), nil }

const (
	// ErrChanged tells that the file is not the one that the asker saw.
	ErrChanged = fileError("file_changed")
	// ErrNoUndo tells that there is no copy of the text before.
	ErrNoUndo = fileError("no_undo")
)

// backupsKept is how many texts from before are kept beside the file.
const backupsKept = 10

// File is a configuration file that is changed by several people. Make one with
// Open.
type File struct {
	path string
	mu   sync.Mutex
	// before is called ahead of each step of a write, for tests; nil for none.
	before func(step string) error
}

// Open names the file, or what it is a link to; it is read at each call.
func Open(path string) *File {
	if real, err := filepath.EvalSymlinks(path); err == nil {
		path = real
	}
	return &File{path: path}
}

// Sheet is the file as it is at one moment.
type Sheet struct {
	Text    []byte
	Version string  // names exactly this text
	Config  *Config // nil when the text is not accepted
	Err     error   // why not, a Problems
	CanUndo bool    // the text before the last change from here is kept
}

// Read returns the file as it is. A file that is not accepted is no error.
func (f *File) Read() (Sheet, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.read("")
}

// read returns the file, which is to be the version that the asker saw; empty for any.
func (f *File) read(version string) (s Sheet, err error) {
	if s.Text, err = os.ReadFile(f.path); err != nil {
		return s, fmt.Errorf("the settings cannot be read: %w", err)
	}
	s.Version = VersionOf(s.Text)
	s.Config, s.Err = Parse(f.path, s.Text, Sensors)
	_, gone := os.Stat(f.Backup(s.Text))
	s.CanUndo = gone == nil
	if version != "" && version != s.Version {
		err = ErrChanged
	}
	return s, err
}

// Save puts a text in the place of the file that bears version. What a start would not
// accept is refused with the same Problems, whose places are those of the new text.
func (f *File) Save(version string, text []byte) (Sheet, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	now, err := f.read(version)
	if err != nil {
		return now, err
	}
	return f.put(now, text, f.Backup(text))
}

// Undo puts the text in place that stood before the last change from here. What it
// replaces is kept as a copy that ends in .undone.
func (f *File) Undo(version string) (Sheet, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	now, err := f.read(version)
	if err == nil && !now.CanUndo {
		err = ErrNoUndo
	}
	if err != nil {
		return now, err
	}
	text, err := os.ReadFile(f.Backup(now.Text))
	if err != nil {
		return now, fmt.Errorf("the text from before cannot be read: %w", err)
	}
	return f.put(now, text, f.path+".undone")
}

// put writes a text that is accepted in the place of now, of which backup is the copy.
// Until the last step the file is untouched; at no moment is there half of one.
func (f *File) put(now Sheet, text []byte, backup string) (Sheet, error) {
	if _, err := Parse(f.path, text, Sensors); err != nil {
		return now, err
	}
	if bytes.Equal(text, now.Text) {
		return now, nil
	}
	fresh := f.path + ".new"
	err := f.step("backup", f.write(backup, now.Text))
	if err == nil {
		err = f.step("write", f.write(fresh, text))
	}
	if err == nil {
		err = f.step("look again", func() error {
			if is, err := os.ReadFile(f.path); err != nil || !bytes.Equal(is, now.Text) {
				return cmp.Or(err, error(ErrChanged))
			}
			return nil
		})
	}
	if err == nil {
		err = f.step("rename", func() error { return os.Rename(fresh, f.path) })
	}
	if err != nil {
		return now, fmt.Errorf("the settings were not written: %w; the service's user must be able to write the folder and own the file", errors.Join(err, removeIfThere(fresh)))
	}
	if dir, err := os.Open(filepath.Dir(f.path)); err == nil {
		_ = errors.Join(dir.Sync(), dir.Close()) // else a power cut may bring the old file back, whole
	}
	f.prune()
	return f.read("")
}

// step does a step of a write.
func (f *File) step(name string, do func() error) error {
	if f.before != nil {
		if err := f.before(name); err != nil {
			return err
		}
	}
	return do()
}

// write writes a file that reaches the disk before it is used, with mode and, where root
// writes, owner of the one that it stands for.
func (f *File) write(path string, text []byte) func() error {
	return func() error {
		as, err := os.Stat(f.path)
		if err = errors.Join(err, removeIfThere(path)); err != nil { // what was left half, or is a link
			return err
		}
		file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, as.Mode().Perm())
		if err != nil {
			return err
		}
		if owner, ok := as.Sys().(*syscall.Stat_t); ok && os.Geteuid() == 0 {
			err = file.Chown(int(owner.Uid), int(owner.Gid))
		}
		if err == nil {
			_, err = file.Write(text)
		}
		return errors.Join(err, file.Sync(), file.Close())
	}
}

// removeIfThere removes a file that may not be there.
func removeIfThere(path string) error {
	if err := os.Remove(path); !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

// Backup is where the text before is kept once text took its place.
func (f *File) Backup(text []byte) string { return f.path + ".before-" + VersionOf(text) }

// prune removes all but the newest texts from before.
func (f *File) prune() {
	old, _ := filepath.Glob(f.path + ".before-????????????????") // the pattern is sound
	age := func(path string) (at time.Time) {
		if info, err := os.Stat(path); err == nil {
			at = info.ModTime()
		}
		return at
	}
	slices.SortFunc(old, func(a, b string) int { return age(b).Compare(age(a)) })
	for _, path := range old[min(backupsKept, len(old)):] {
		_ = os.Remove(path) // tried again at the next change
	}
}

// VersionOf names a text.
func VersionOf(text []byte) string {
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:8])
}
