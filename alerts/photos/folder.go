package photos

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	"dewline"
)

// mostPerVisit keeps one visit from filling the disk.
const mostPerVisit = 40

// Folder keeps pictures below a directory, a folder for each visit. It implements dewline.Photos.
// A file never changes once it is there, so the directory can be copied at any time.
type Folder struct {
	Path string

	one sync.Mutex // pictures are decoded one at a time: each takes a lot of memory
}

// Names of files, and of what may become one.
var (
	visitID = regexp.MustCompile(`^[A-Za-z0-9_-]{8,64}$`)
	digests = regexp.MustCompile(`^[0-9a-f]{64}$`)
)

const (
	wholeFile = ".jpg"
	smallFile = ".small.jpg"
)

// KeepPhoto implements dewline.Photos.
func (f *Folder) KeepPhoto(ctx context.Context, visit string, picture []byte) (dewline.Photo, error) {
	if !visitID.MatchString(visit) {
		return dewline.Photo{}, refuse("%q is no id of a visit", visit)
	}
	f.one.Lock()
	defer f.one.Unlock()
	if err := ctx.Err(); err != nil {
		return dewline.Photo{}, err
	}
	whole, small, err := normal(picture)
	if err != nil {
		return dewline.Photo{}, err
	}
	sum := sha256.Sum256(whole)
	photo := dewline.Photo{Digest: hex.EncodeToString(sum[:]), Type: "image/jpeg", Bytes: int64(len(whole))}
	dir := filepath.Join(f.Path, visit)
	if _, err := os.Stat(filepath.Join(dir, photo.Digest+wholeFile)); err == nil {
		return photo, nil
	}
	if err := f.room(dir); err != nil {
		return dewline.Photo{}, err
	}
	// The whole picture is written last: where it is, the small one is too.
	if err := write(dir, photo.Digest+smallFile, small); err != nil {
		return dewline.Photo{}, fmt.Errorf("keep a photo: %w", err)
	}
	if err := write(dir, photo.Digest+wholeFile, whole); err != nil {
		return dewline.Photo{}, fmt.Errorf("keep a photo: %w", err)
	}
	return photo, nil
}

func (f *Folder) room(dir string) error {
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return fmt.Errorf("keep a photo: %w", err)
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return fmt.Errorf("keep a photo: %w", err)
	}
	n := 0
	for _, e := range entries {
		if strings.HasSuffix(e.Name(), smallFile) {
			n++
		}
	}
	if n >= mostPerVisit {
		return refuse("the visit has %d photos already, and more are not kept", mostPerVisit)
	}
	return nil
}

// write makes a file that is there as a whole or not at all.
func write(dir, name string, data []byte) error {
	temp, err := os.CreateTemp(dir, ".new-*")
	if err != nil {
		return err
	}
	_, err = temp.Write(data)
	if err = errors.Join(err, temp.Sync(), temp.Close()); err == nil {
		err = os.Rename(temp.Name(), filepath.Join(dir, name))
	}
	if err != nil {
		os.Remove(temp.Name())
	}
	return err
}

// KeepOnly implements dewline.Photos.
func (f *Folder) KeepOnly(_ context.Context, visit string, digests []string) error {
	if !visitID.MatchString(visit) {
		return refuse("%q is no id of a visit", visit)
	}
	f.one.Lock()
	defer f.one.Unlock()
	entries, err := os.ReadDir(filepath.Join(f.Path, visit))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	for _, e := range entries {
		digest, _, _ := strings.Cut(e.Name(), ".")
		if !slices.Contains(digests, digest) {
			err = errors.Join(err, os.Remove(filepath.Join(f.Path, visit, e.Name())))
		}
	}
	if err != nil {
		return fmt.Errorf("drop photos: %w", err)
	}
	return nil
}

// DropUnnamed removes what came in before a time and is named by no visit: photos of visits that nobody went
// on with, and the rests of uploads that broke off. named returns the digests that a visit names; where it
// fails, what is of that visit stays.
func (f *Folder) DropUnnamed(ctx context.Context, before time.Time, named func(ctx context.Context, visit string) ([]string, error)) error {
	visits, err := os.ReadDir(f.Path)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("look for photos that no visit names: %w", err)
	}
	var errs []error
	for _, v := range visits {
		if !visitID.MatchString(v.Name()) {
			continue
		}
		if err := f.dropUnnamed(ctx, v.Name(), before, named); err != nil {
			errs = append(errs, fmt.Errorf("drop photos of visit %s that it does not name: %w", v.Name(), err))
		}
	}
	return errors.Join(errs...)
}

func (f *Folder) dropUnnamed(ctx context.Context, visit string, before time.Time, named func(context.Context, string) ([]string, error)) error {
	f.one.Lock()
	defer f.one.Unlock()
	dir := filepath.Join(f.Path, visit)
	entries, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil // somebody else has dropped them since they were listed
	}
	if err != nil {
		return err
	}
	var old []string
	for _, e := range entries {
		if info, err := e.Info(); err == nil && info.ModTime().Before(before) {
			old = append(old, e.Name())
		}
	}
	if len(old) == 0 {
		return ctx.Err()
	}
	kept, err := named(ctx, visit)
	if err != nil {
		return err
	}
	left := len(entries)
	for _, name := range old {
		if digest, _, _ := strings.Cut(name, "."); !slices.Contains(kept, digest) {
			err = errors.Join(err, os.Remove(filepath.Join(dir, name)))
			left--
		}
	}
	if err == nil && left == 0 {
		err = os.Remove(dir)
	}
	return err
}

// PhotoOf implements dewline.Photos.
func (f *Folder) PhotoOf(_ context.Context, visit, digest string, small bool) ([]byte, error) {
	const op = "read a photo"
	missing := &dewline.Error{Code: dewline.NotFound, Op: op, Err: errors.New("there is no such photo")}
	if !visitID.MatchString(visit) || !digests.MatchString(digest) {
		return nil, missing
	}
	name := digest + wholeFile
	if small {
		name = digest + smallFile
	}
	data, err := os.ReadFile(filepath.Join(f.Path, visit, name))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, missing
	}
	if err != nil {
		return nil, &dewline.Error{Code: dewline.Unavailable, Op: op, Err: err}
	}
	return data, nil
}
