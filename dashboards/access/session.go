package access

import (
	"context"
	"encoding/json"
	"time"

	"dewline"
)

// What a session holds.
const (
	keyPerson = "person"
	keyEpoch  = "epoch" // of the sign-in, when it began
	keySeen   = "seen"  // about when it was used last, in Unix milliseconds
)

// sessionData is a session as it is stored.
type sessionData struct {
	Deadline time.Time `json:"deadline"`
	Person   string    `json:"person"`
	Epoch    int64     `json:"epoch"`
	Seen     int64     `json:"seen"`
}

// sessionCodec writes sessions as JSON, so that the store can tell whose they are.
type sessionCodec struct{}

// Encode implements scs.Codec.
func (sessionCodec) Encode(deadline time.Time, values map[string]any) ([]byte, error) {
	d := sessionData{Deadline: deadline}
	d.Person, _ = values[keyPerson].(string)
	d.Epoch, _ = values[keyEpoch].(int64)
	d.Seen, _ = values[keySeen].(int64)
	return json.Marshal(d)
}

// Decode implements scs.Codec.
func (sessionCodec) Decode(data []byte) (time.Time, map[string]any, error) {
	var d sessionData
	err := json.Unmarshal(data, &d)
	return d.Deadline, map[string]any{keyPerson: d.Person, keyEpoch: d.Epoch, keySeen: d.Seen}, err
}

// sessionStore keeps the sessions of package scs, which gives it digests of what browsers have. A
// session without a person is kept nowhere: strangers cost nothing.
type sessionStore struct {
	store dewline.AccessStore
	now   func() time.Time
}

// FindCtx implements scs.CtxStore, and leaves whose session it is in the context's request.
func (s sessionStore) FindCtx(ctx context.Context, key string) ([]byte, bool, error) {
	session, account, err := s.store.Session(ctx, key, dewline.MillisOf(s.now()))
	if dewline.CodeOf(err) == dewline.NotFound {
		return nil, false, nil
	} else if err != nil {
		return nil, false, err
	}
	r := requestOf(ctx)
	r.account, r.found, r.key = account, true, key
	return session.Data, true, nil
}

// CommitCtx implements scs.CtxStore. Where the session has been ended meanwhile it stays ended.
func (s sessionStore) CommitCtx(ctx context.Context, key string, data []byte, ends time.Time) error {
	var d sessionData
	if err := json.Unmarshal(data, &d); err != nil || d.Person == "" {
		return err
	}
	err := s.store.PutSession(ctx, dewline.Session{Key: key, Person: d.Person, Epoch: d.Epoch, Data: data, Ends: dewline.MillisOf(ends)})
	if dewline.CodeOf(err) == dewline.NotFound {
		return nil
	}
	return err
}

// DeleteCtx implements scs.CtxStore.
func (s sessionStore) DeleteCtx(ctx context.Context, key string) error {
	return s.store.EndSession(ctx, key)
}

// Find implements scs.Store.
func (s sessionStore) Find(key string) ([]byte, bool, error) {
	return s.FindCtx(context.Background(), key)
}

// Commit implements scs.Store.
func (s sessionStore) Commit(key string, data []byte, ends time.Time) error {
	return s.CommitCtx(context.Background(), key, data, ends)
}

// Delete implements scs.Store.
func (s sessionStore) Delete(key string) error { return s.DeleteCtx(context.Background(), key) }
