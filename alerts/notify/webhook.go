package notify

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"dewline"
)

// secretPrefix and the lengths are those of the Standard Webhooks specification, version 1.0.0,
// "Signature scheme": 24 to 64 bytes (192 to 512 bits), as base64.
const (
	secretPrefix = "whsec_"
	leastSecret  = 24
	mostSecret   = 64
)

// NewSecret returns a fresh secret for a webhook.
func NewSecret() string {
	key := make([]byte, 32)
	_, _ = rand.Read(key) // never fails
	return secretPrefix + base64.StdEncoding.EncodeToString(key)
}

// Sign returns the signature of a webhook, "v1," and base64, after the Standard Webhooks specification.
func Sign(secret, id string, at time.Time, body []byte) (string, error) {
	key, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(secret, secretPrefix))
	if err != nil || len(key) < leastSecret || len(key) > mostSecret {
		return "", errors.New("the secret is not base64 of 24 to 64 bytes: make a new one")
	}
	mac := hmac.New(sha256.New, key)
	fmt.Fprintf(mac, "%s.%d.", id, at.Unix())
	mac.Write(body)
	return "v1," + base64.StdEncoding.EncodeToString(mac.Sum(nil)), nil
}

// signatures returns the signature by each secret that holds at a time. After a secret was changed
// there are two, so that the receiver can change over when it likes.
func signatures(secrets []dewline.Secret, id string, at time.Time, body []byte) (string, error) {
	var list []string
	for _, s := range secrets {
		if s.Until != 0 && dewline.Millis(s.Until) <= dewline.MillisOf(at) {
			continue
		}
		signature, err := Sign(s.Key, id, at, body)
		if err != nil {
			return "", err
		}
		list = append(list, signature)
	}
	if len(list) == 0 {
		return "", errors.New("the webhook has no secret to sign with: make one")
	}
	return strings.Join(list, " "), nil
}

// Rotate returns the secrets with a new one in use. The old ones sign along until the time given.
func Rotate(secrets []dewline.Secret, until dewline.Millis) []dewline.Secret {
	list := []dewline.Secret{{Key: NewSecret()}}
	for _, s := range secrets {
		if s.Until == 0 || s.Until > dewline.Stamp(until) {
			s.Until = dewline.Stamp(until)
		}
		list = append(list, s)
	}
	return list[:min(len(list), 3)] // one that was changed twice in that time is no secret anybody uses
}

// Webhook sends to other programs, signed after the Standard Webhooks specification.
type Webhook struct {
	client    *http.Client
	plainHTTP bool
}

// NewWebhook returns a sender whose connections the guard lets pass. Without plainHTTP only https
// addresses are sent to.
func NewWebhook(g Guard, plainHTTP bool) *Webhook {
	return newWebhook(&http.Transport{
		DialContext:            g.dial, // and no proxy, which would resolve names out of the guard's sight
		TLSHandshakeTimeout:    10 * time.Second,
		MaxIdleConnsPerHost:    1,
		IdleConnTimeout:        time.Minute,
		MaxResponseHeaderBytes: 64 << 10,
		ForceAttemptHTTP2:      true,
	}, plainHTTP)
}

func newWebhook(t *http.Transport, plainHTTP bool) *Webhook {
	return &Webhook{plainHTTP: plainHTTP, client: &http.Client{
		Transport: t,
		// The specification counts 3xx as a failure, and a redirect could lead inside.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}
}

// Send implements Sender.
func (w *Webhook) Send(ctx context.Context, to dewline.Contact, m dewline.Message, at time.Time) error {
	target, err := url.Parse(to.Address)
	if err != nil || target.Scheme != "https" && !(w.plainHTTP && target.Scheme == "http") {
		return &Failure{Err: errors.New("the address is not https, and plain http is not allowed in the settings"), ForGood: true}
	}
	signature, err := signatures(to.Secrets, m.ID, at, m.Payload)
	if err != nil {
		return err // somebody can make a secret meanwhile
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, to.Address, bytes.NewReader(m.Payload))
	if err != nil {
		return &Failure{Err: err, ForGood: true}
	}
	r.Header = http.Header{
		"Content-Type": {"application/json"}, "User-Agent": {"Dewline"},
		"Webhook-Id": {m.ID}, "Webhook-Timestamp": {strconv.FormatInt(at.Unix(), 10)}, "Webhook-Signature": {signature},
	}
	answer, err := w.client.Do(r)
	if err != nil {
		return err
	}
	defer func() { _ = answer.Body.Close() }()
	_, _ = io.Copy(io.Discard, io.LimitReader(answer.Body, 64<<10)) // so that the connection can be used again
	return judge(answer, at)
}

// judge says what an answer means, as the specification has it.
func judge(answer *http.Response, at time.Time) error {
	if answer.StatusCode >= 200 && answer.StatusCode < 300 {
		return nil
	}
	f := &Failure{Err: fmt.Errorf("the receiver answered %s", answer.Status), Gone: answer.StatusCode == http.StatusGone}
	if answer.StatusCode >= 300 && answer.StatusCode < 400 {
		f.Err = fmt.Errorf("the receiver answered %s, which is not followed: enter the address that it leads to", answer.Status)
	}
	f.After = retryAfter(answer.Header.Get("Retry-After"), at)
	return f
}

// retryAfter reads the header: seconds or a time (RFC 9110, section 10.2.3). A day is the most.
func retryAfter(text string, at time.Time) time.Duration {
	const most = 24 * time.Hour
	if seconds, err := strconv.ParseInt(text, 10, 32); err == nil && seconds > 0 {
		return min(time.Duration(seconds)*time.Second, most)
	}
	if then, err := http.ParseTime(text); err == nil {
		return min(max(0, then.Sub(at)), most)
	}
	return 0
}
