package sqlstore

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"dewline"
)

// A password is made here, never chosen: rand.Text returns at least 128 random bits. Such a secret
// cannot be found by trying, however fast the digest, so a slow one (which protects the few bits of
// a password that a person chose) would protect nothing. It would cost, though: the broker verifies
// at each login and once a second for each connected gateway, and five hundred gateways that
// reconnect at once would keep both cores of a small machine busy for minutes. The salt keeps
// digests apart that would be equal, so that a stolen table shows nothing.

// login is what is known of one gateway's credential.
type login struct {
	site, gateway string
	salt, digest  []byte
}

// logins are all credentials as of one revision. They are never changed, only replaced.
type logins struct {
	epoch    string
	revision int64
	byUser   map[string]login
}

func digestOf(salt []byte, password string) []byte {
	mac := hmac.New(sha256.New, salt)
	mac.Write([]byte(password))
	return mac.Sum(nil)
}

// Verify implements dewline.Gateways.
func (s *Store) Verify(user, password string) (site, gateway string, ok bool) {
	l, known := s.logins.Load().byUser[user]
	if !known {
		l = login{salt: make([]byte, sha256.Size), digest: make([]byte, sha256.Size)} // takes as long
	}
	if !hmac.Equal(l.digest, digestOf(l.salt, password)) || !known {
		return "", "", false
	}
	return l.site, l.gateway, true
}

// AddGateway implements dewline.Gateways.
func (s *Store) AddGateway(ctx context.Context, id dewline.GatewayID, now dewline.Millis) (string, error) {
	const op = "add a gateway"
	if !id.Valid() {
		return "", invalid(op, "%q is not SITE/GATEWAY, both of lower-case letters, digits and hyphens", id)
	}
	return s.setPassword(ctx, op, func(tx *sql.Tx, salt, digest []byte) error {
		added, err := tx.ExecContext(ctx, `
			INSERT INTO gateways (id, created, rotated, salt, digest) VALUES ($1, $2, 0, $3, $4)
			ON CONFLICT (id) DO NOTHING`, id, now, salt, digest)
		return changedOne(added, err, invalid(op, "%s has a credential: rotate it for a new password, or remove it first", id))
	})
}

// RotateGateway implements dewline.Gateways.
func (s *Store) RotateGateway(ctx context.Context, id dewline.GatewayID, now dewline.Millis) (string, error) {
	const op = "rotate a gateway's password"
	return s.setPassword(ctx, op, func(tx *sql.Tx, salt, digest []byte) error {
		updated, err := tx.ExecContext(ctx, `
			UPDATE gateways SET rotated = $2, salt = $3, digest = $4 WHERE id = $1`, id, now, salt, digest)
		return changedOne(updated, err, notFound(op, "%q has no credential: add it first", id))
	})
}

// RemoveGateway implements dewline.Gateways.
func (s *Store) RemoveGateway(ctx context.Context, id dewline.GatewayID) error {
	const op = "remove a gateway"
	return s.changeGateways(ctx, op, func(tx *sql.Tx) error {
		deleted, err := tx.ExecContext(ctx, `DELETE FROM gateways WHERE id = $1`, id)
		return changedOne(deleted, err, notFound(op, "%q has no credential", id))
	})
}

// setPassword makes a password and lets set keep its digest.
func (s *Store) setPassword(ctx context.Context, op string, set func(tx *sql.Tx, salt, digest []byte) error) (string, error) {
	password := rand.Text()
	salt := make([]byte, 16)
	_, _ = rand.Read(salt) // never fails
	err := s.changeGateways(ctx, op, func(tx *sql.Tx) error { return set(tx, salt, digestOf(salt, password)) })
	if err != nil {
		return "", err
	}
	return password, nil
}

// changeGateways runs change, tells other processes of it, and has it in this one's memory when it
// returns.
func (s *Store) changeGateways(ctx context.Context, op string, change func(tx *sql.Tx) error) error {
	err := s.write(ctx, op, func(tx *sql.Tx) error {
		if err := change(tx); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, `UPDATE store_info SET gateway_revision = gateway_revision + 1`)
		return err
	})
	if err != nil {
		return err
	}
	return s.refreshLogins(ctx)
}

// changedOne returns otherwise if a statement changed nothing.
func changedOne(result sql.Result, err, otherwise error) error {
	if err != nil {
		return err
	}
	if n, err := result.RowsAffected(); err != nil || n > 0 {
		return err
	}
	return otherwise
}

// ListGateways implements dewline.Gateways.
func (s *Store) ListGateways(ctx context.Context) ([]dewline.Gateway, error) {
	var list []dewline.Gateway
	err := s.read(ctx, "list gateways", func(tx *sql.Tx) error {
		return each(ctx, tx, func(rows *sql.Rows) error {
			var g dewline.Gateway
			var online sql.NullBool
			var at, received sql.NullInt64
			if err := rows.Scan(&g.ID, &g.Created, &g.Rotated, &online, &at, &received); err != nil {
				return err
			}
			if online.Valid {
				g.Status = &dewline.GatewayStatus{Gateway: g.ID, Online: online.Bool,
					At: dewline.Millis(at.Int64), Received: dewline.Millis(received.Int64)}
			}
			list = append(list, g)
			return nil
		}, `SELECT g.id, g.created, g.rotated, s.online, s.at, s.received
			FROM gateways g LEFT JOIN gateway_status s ON s.gateway = g.id ORDER BY g.id`)
	})
	return list, err
}

// WatchGateways implements dewline.Gateways. One look reads one row, so several a second cost
// nothing that could be measured.
func (s *Store) WatchGateways(ctx context.Context, every time.Duration, changed func()) error {
	seen := s.logins.Load()
	ticker := time.NewTicker(every)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-ticker.C:
		}
		err := s.refreshLogins(ctx)
		switch now := s.logins.Load(); {
		case ctx.Err() != nil:
			return nil
		case now != seen:
			seen = now
			changed()
		case err != nil && !dewline.CanRetry(err): // else the memory of before stands until the next look
			return err
		}
	}
}

// refreshLogins reads the credentials if they have changed.
func (s *Store) refreshLogins(ctx context.Context) error {
	s.refreshing.Lock()
	defer s.refreshing.Unlock()
	return s.read(ctx, "read the gateways' credentials", func(tx *sql.Tx) error {
		now := logins{byUser: map[string]login{}}
		if err := tx.QueryRowContext(ctx, `SELECT epoch, gateway_revision FROM store_info`).Scan(&now.epoch, &now.revision); err != nil {
			return err
		}
		if known := s.logins.Load(); known != nil && known.epoch == now.epoch && known.revision == now.revision {
			return nil
		}
		err := each(ctx, tx, func(rows *sql.Rows) error {
			var id dewline.GatewayID
			var l login
			if err := rows.Scan(&id, &l.salt, &l.digest); err != nil {
				return err
			}
			l.site, l.gateway = id.Site(), id.Gateway()
			now.byUser[string(id)] = l
			return nil
		}, `SELECT id, salt, digest FROM gateways`)
		if err == nil {
			s.logins.Store(&now)
		}
		return err
	})
}

// RecordGatewayStatus implements dewline.GatewayStatuses.
func (s *Store) RecordGatewayStatus(ctx context.Context, statuses ...dewline.GatewayStatus) error {
	const op = "record a gateway's status"
	for _, status := range statuses {
		if !status.Gateway.Valid() {
			return invalid(op, "%q is no gateway", status.Gateway)
		}
	}
	if len(statuses) == 0 {
		return nil
	}
	return s.write(ctx, op, func(tx *sql.Tx) error {
		for _, status := range statuses {
			if err := s.recordStatus(ctx, tx, status); err != nil {
				return err
			}
		}
		return nil
	})
}

func (s *Store) recordStatus(ctx context.Context, tx *sql.Tx, status dewline.GatewayStatus) error {
	added, err := tx.ExecContext(ctx, `
		INSERT INTO gateway_status (gateway, online, at, received) VALUES ($1, $2, $3, $4)
		ON CONFLICT (gateway) DO NOTHING`,
		status.Gateway, boolean(status.Online), status.At, status.Received)
	if err != nil {
		return err
	}
	if n, err := added.RowsAffected(); err != nil || n > 0 {
		return errors.Join(err, s.boundStatuses(ctx, tx))
	}
	_, err = tx.ExecContext(ctx, `
		UPDATE gateway_status SET online = $2, at = $3, received = $4
		WHERE gateway = $1 AND received <= $4 AND (online <> $2 OR at <> $3)`,
		status.Gateway, boolean(status.Online), status.At, status.Received)
	return err
}

// boundStatuses drops the oldest statuses when there are too many: on a broker that is open to all,
// anyone may call himself a gateway.
func (s *Store) boundStatuses(ctx context.Context, tx *sql.Tx) error {
	var n int
	if err := tx.QueryRowContext(ctx, `SELECT count(*) FROM gateway_status`).Scan(&n); err != nil || n <= s.options.StatusesAtMost {
		return err
	}
	_, err := tx.ExecContext(ctx, `
		DELETE FROM gateway_status WHERE gateway IN (SELECT gateway FROM gateway_status ORDER BY received, gateway LIMIT $1)`,
		n-s.options.StatusesAtMost)
	return err
}

// boolean is how a truth is stored: not every database takes a bool where another has an integer.
func boolean(b bool) int {
	if b {
		return 1
	}
	return 0
}

// ReadGatewayStatus implements dewline.GatewayStatuses.
func (s *Store) ReadGatewayStatus(ctx context.Context, id dewline.GatewayID) (dewline.GatewayStatus, error) {
	status := dewline.GatewayStatus{Gateway: id}
	err := s.read(ctx, fmt.Sprintf("read the status of gateway %q", id), func(tx *sql.Tx) error {
		return tx.QueryRowContext(ctx, `SELECT online, at, received FROM gateway_status WHERE gateway = $1`, id).
			Scan(&status.Online, &status.At, &status.Received)
	})
	return status, err
}
