package notify

import (
	"bytes"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	netmail "net/mail"
	"strings"
	"time"

	"github.com/wneessen/go-mail"

	"dewline"
)

// MailOptions name the server that takes e-mail.
type MailOptions struct {
	Host     string
	Port     int    // 587 if 0
	Security string // starttls (if empty), tls, or none: then nothing keeps the message secret on its way
	User     string
	Password string
	From     string      // the sender's address
	FromName string      // "Dewline" if empty
	TLS      *tls.Config // for a server with a certificate of its own; nil for the usual
}

// Mail sends e-mail.
type Mail struct {
	o      MailOptions
	domain string
}

// NewMail checks the options; it connects to nothing.
func NewMail(o MailOptions) (*Mail, error) {
	if o.Port == 0 {
		o.Port = 587
	}
	if o.FromName == "" {
		o.FromName = "Dewline"
	}
	from, err := netmail.ParseAddress(o.From)
	switch {
	case o.Host == "" || o.Port < 0 || o.Port > 65535:
		return nil, errors.New("e-mail: name the server's host and port")
	case err != nil || from.Address != o.From || line(o.From) != o.From:
		return nil, fmt.Errorf("e-mail: from %q is no address", o.From)
	case o.Security != "" && o.Security != "starttls" && o.Security != "tls" && o.Security != "none":
		return nil, fmt.Errorf("e-mail: security %q: it is starttls, tls or none", o.Security)
	case o.User != "" && o.Security == "none":
		return nil, errors.New("e-mail: a password is not sent without TLS: set security to starttls or tls")
	}
	return &Mail{o, o.From[strings.LastIndexByte(o.From, '@')+1:]}, nil
}

// mailTimeout bounds the whole conversation with the server.
const mailTimeout = 25 * time.Second

// Send implements Sender. The message counts as taken once the server has confirmed its end; what
// goes wrong in saying goodbye does not matter.
func (m *Mail) Send(ctx context.Context, to dewline.Contact, message dewline.Message, _ time.Time) error {
	msg, err := m.compose(to, message)
	if err != nil {
		return &Failure{Err: err, ForGood: true}
	}
	client, err := m.client()
	if err != nil {
		return err
	}
	if err := client.DialWithContext(ctx); err != nil {
		return err
	}
	defer func() { _ = client.Close() }()
	if err := client.Send(msg); err != nil && !msg.IsDelivered() {
		return mailFailure(err)
	}
	return nil
}

func (m *Mail) client() (*mail.Client, error) {
	options := []mail.Option{mail.WithPort(m.o.Port), mail.WithoutNoop(), mail.WithTimeout(mailTimeout)}
	switch m.o.Security {
	case "tls":
		options = append(options, mail.WithSSL())
	case "none":
		options = append(options, mail.WithTLSPolicy(mail.NoTLS))
	default:
		options = append(options, mail.WithTLSPolicy(mail.TLSMandatory))
	}
	if m.o.TLS != nil {
		options = append(options, mail.WithTLSConfig(m.o.TLS))
	}
	if m.o.User != "" {
		options = append(options, mail.WithSMTPAuth(mail.SMTPAuthAutoDiscover), mail.WithUsername(m.o.User), mail.WithPassword(m.o.Password))
	}
	return mail.NewClient(m.o.Host, options...)
}

// compose writes the message. Every text that becomes a header line is one line here, whatever
// checked it before.
func (m *Mail) compose(to dewline.Contact, message dewline.Message) (*mail.Msg, error) {
	address, err := netmail.ParseAddress(to.Address)
	if err != nil || address.Address != to.Address || line(to.Address) != to.Address {
		return nil, fmt.Errorf("%q is no e-mail address", line(to.Address))
	}
	msg := mail.NewMsg(mail.WithNoDefaultUserAgent())
	if err := msg.FromFormat(line(m.o.FromName), m.o.From); err != nil {
		return nil, err
	}
	if err := msg.To(to.Address); err != nil {
		return nil, err
	}
	msg.Subject(line(message.Subject))
	msg.SetMessageIDWithValue(line(message.ID) + "@" + m.domain)
	msg.SetDateWithValue(message.Made.Time())
	msg.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834: no out-of-office replies
	msg.SetBodyString(mail.TypeTextPlain, message.Text)
	if message.HTML != "" {
		msg.AddAlternativeString(mail.TypeTextHTML, message.HTML)
	}
	for _, f := range message.Files {
		if err := msg.AttachReader(line(f.Name), bytes.NewReader(f.Body), mail.WithFileContentType(mail.ContentType(line(f.Type)))); err != nil {
			return nil, err
		}
	}
	return msg, nil
}

// mailFailure tells a refusal of this recipient or message from a server that is not well: a 5yz
// reply to RCPT or DATA is for good (RFC 5321, section 4.2.1), anything else may pass.
func mailFailure(err error) error {
	var failed *mail.SendError
	if errors.As(err, &failed) && !failed.IsTemp() && failed.ErrorCode() >= 500 &&
		(failed.Reason == mail.ErrSMTPRcptTo || failed.Reason == mail.ErrSMTPDataClose) {
		return &Failure{Err: err, ForGood: true}
	}
	return err
}
