package embedded

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"

	"dewline/ingest/store"
)

// Snapshot writes all readings that Append has returned for into folder, while the store works.
// The folder must not exist and must lie on the same disk as the store: most of it is links, made
// in no time, that take no room of their own until the store drops the originals.
func (s *Store) Snapshot(ctx context.Context, folder string) error {
	if _, err := os.Lstat(folder); !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("embedded store: the snapshot cannot go to %s: something is there already", folder)
	}
	db, _, done, err := s.use()
	if err != nil {
		return err
	}
	defer done()
	// A snapshot has the blocks and what is in memory in order. Late readings must be in blocks.
	err = db.CompactOOOHead(ctx)
	if err == nil {
		err = os.MkdirAll(folder, 0o750)
	}
	if oldest, latest := db.Head().MinTime(), db.Head().MaxTime(); err == nil {
		err = db.DB.Snapshot(folder, oldest <= latest)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("embedded store: the snapshot to %s failed: %w", folder, err), os.RemoveAll(folder))
	}
	return nil
}

// Restore exchanges all readings for those of a snapshot, while the store works: what is offered
// meanwhile waits. The snapshot is copied and stays as it is. When it fails, or the process dies
// halfway, the readings are those of before or those of the snapshot, never a mixture.
func (s *Store) Restore(ctx context.Context, snapshot string) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	fresh := s.dataFolder() + ".restored"
	if err := os.RemoveAll(fresh); err != nil {
		return fmt.Errorf("embedded store: %w", err)
	}
	if err := copyDurably(fresh, snapshot); err != nil {
		return errors.Join(fmt.Errorf("embedded store: the snapshot %s cannot be copied: %w", snapshot, err), os.RemoveAll(fresh))
	}

	s.mu.Lock()
	defer s.mu.Unlock()
	if errors.Is(s.broken, errClosed) {
		return s.broken
	}
	busy := fmt.Errorf("embedded store: a snapshot is being restored: %w", store.ErrUnavailable)
	if err := s.closeDB(busy); err != nil {
		s.logger.Warn("closing the store of readings before a restore", "err", err)
	}
	s.Forget()
	old := s.dataFolder() + ".replaced"
	if err := errors.Join(os.RemoveAll(old), os.Rename(s.dataFolder(), old), os.Rename(fresh, s.dataFolder())); err != nil {
		return errors.Join(fmt.Errorf("embedded store: %w", err), s.finishRestore(), s.open())
	}
	if err := s.open(); err != nil {
		// Not a snapshot, or a damaged one: what was there before stands.
		return errors.Join(err, os.RemoveAll(s.dataFolder()), s.finishRestore(), s.open())
	}
	return os.RemoveAll(old)
}

func copyDurably(to, from string) error {
	if err := os.CopyFS(to, os.DirFS(from)); err != nil {
		return err
	}
	f, err := os.Open(to)
	if err != nil {
		return err
	}
	return errors.Join(unix.Syncfs(int(f.Fd())), f.Close())
}

// finishRestore tidies up after a restore that was interrupted.
func (s *Store) finishRestore() error {
	old := s.dataFolder() + ".replaced"
	if _, err := os.Stat(s.dataFolder()); errors.Is(err, os.ErrNotExist) {
		if err := os.Rename(old, s.dataFolder()); err != nil && !errors.Is(err, os.ErrNotExist) {
			return fmt.Errorf("embedded store: the readings of before a restore cannot be put back: %w", err)
		}
	}
	return errors.Join(os.RemoveAll(old), os.RemoveAll(filepath.Clean(s.dataFolder()+".restored")))
}
