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

// Open names the file; it is read at each call.
func Open(path string) *File { return &File{path: path} }

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
	return f.read()
}

func (f *File) read() (Sheet, error) {
	text, err := os.ReadFile(f.path)
	if err != nil {
		return Sheet{}, fmt.Errorf("the settings cannot be read: %w", err)
	}
	s := Sheet{Text: text, Version: VersionOf(text)}
	s.Config, s.Err = Parse(f.path, text, Sensors)
	target, err := f.target()
	if err == nil {
		_, err = os.Stat(backupOf(target, text))
	}
	s.CanUndo = err == nil
	return s, nil
}

// Save puts a text in the place of the file that bears version. What a start would not
// accept is refused with the same Problems, whose places are those of the new text.
func (f *File) Save(version string, text []byte) (Sheet, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	now, err := f.read()
	if err == nil && now.Version != version {
		err = ErrChanged
	}
	if err != nil {
		return now, err
	}
	return f.put(now, text, true)
}

// Undo puts the text in place that stood before the last change from here. What it
// replaces is kept as a copy that ends in .undone.
func (f *File) Undo(version string) (Sheet, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	now, err := f.read()
	switch {
	case err != nil:
		return now, err
	case now.Version != version:
		return now, ErrChanged
	case !now.CanUndo:
		return now, ErrNoUndo
	}
	target, err := f.target()
	if err != nil {
		return now, err
	}
	text, err := os.ReadFile(backupOf(target, now.Text))
	if err != nil {
		return now, fmt.Errorf("the text from before cannot be read: %w", err)
	}
	return f.put(now, text, false)
}

// put writes a text that is accepted in the place of now.
func (f *File) put(now Sheet, text []byte, forUndo bool) (Sheet, error) {
	if _, err := Parse(f.path, text, Sensors); err != nil {
		return now, err
	}
	if bytes.Equal(text, now.Text) {
		return now, nil
	}
	target, err := f.target()
	if err != nil {
		return now, err
	}
	backup := target + ".undone"
	if forUndo {
		backup = backupOf(target, text)
	}
	if err := f.replace(target, backup, now.Text, text); err != nil {
		return now, fmt.Errorf("the settings were not written: %w; the service's user must be able to write the folder and own the file", err)
	}
	prune(target)
	return f.read()
}

// replace writes backup, then puts text in the place of the file in one step. Until
// that step the file is untouched; at no moment is there half of one.
func (f *File) replace(target, backup string, old, text []byte) error {
	info, err := os.Stat(target)
	if err != nil {
		return err
	}
	fresh := target + ".new"
	for _, s := range []struct {
		name string
		do   func() error
	}{
		{"backup", func() error { return writeSynced(backup, old, info) }},
		{"write", func() error { return writeSynced(fresh, text, info) }},
		{"look again", func() error {
			if is, err := os.ReadFile(target); err != nil || !bytes.Equal(is, old) {
				return cmp.Or(err, error(ErrChanged))
			}
			return nil
		}},
		{"rename", func() error { return os.Rename(fresh, target) }},
	} {
		var err error
		if f.before != nil {
			err = f.before(s.name)
		}
		if err == nil {
			err = s.do()
		}
		if err != nil {
			return errors.Join(err, removeIfThere(fresh))
		}
	}
	_ = syncDir(filepath.Dir(target)) // else a power cut may bring the old file back, whole
	return nil
}

// Backup is where the text before is kept once text took its place.
func (f *File) Backup(text []byte) string { return backupOf(f.path, text) }

// target is the file itself where the path is a link to it.
func (f *File) target() (string, error) { return filepath.EvalSymlinks(f.path) }

// VersionOf names a text.
func VersionOf(text []byte) string {
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:8])
}

// backupOf is where the text before this one is kept.
func backupOf(target string, text []byte) string { return target + ".before-" + VersionOf(text) }

// prune removes all but the newest texts from before.
func prune(target string) {
	old, _ := filepath.Glob(target + ".before-????????????????") // the pattern is sound
	age := func(path string) int64 {
		info, err := os.Stat(path)
		if err != nil {
			return 0
		}
		return info.ModTime().UnixNano()
	}
	slices.SortFunc(old, func(a, b string) int { return cmp.Compare(age(b), age(a)) })
	for _, path := range old[min(backupsKept, len(old)):] {
		_ = os.Remove(path) // tried again at the next change
	}
}

// writeSynced writes a file that reaches the disk before it is used, with mode and, where
// root writes, owner of the one that it stands for.
func writeSynced(path string, text []byte, as fs.FileInfo) error {
	if err := removeIfThere(path); err != nil { // what was left half, or is a link
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

// removeIfThere removes a file that may not be there.
func removeIfThere(path string) error {
	if err := os.Remove(path); !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

// syncDir makes a rename reach the disk.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
