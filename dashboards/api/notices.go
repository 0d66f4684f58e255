package api

import (
	"context"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"dewline"
)

// Notices is the part of dewline.Outbox that reading needs.
type Notices interface {
	NoticesIn(ctx context.Context, filter dewline.NoticeFilter) (dewline.NoticePage, error)
	MessageByID(ctx context.Context, id string) (dewline.Message, error)
}

type noticesInput struct {
	Limit   string `query:"limit" doc:"Most entries of a page, 1 to 1000; 100 if absent."`
	Cursor  string `query:"cursor" doc:"next of the page before."`
	Alert   string `query:"alert" doc:"Only notices of this alert."`
	Contact string `query:"contact" doc:"Only notices for this contact."`
	Message string `query:"message" doc:"Only notices that this message tells."`
	State   string `query:"state" doc:"Only notices in this state, or in any of several with commas between." example:"waiting,not_sent"`
}

type noticesOutput struct {
	Link string `header:"Link" doc:"The next page, as RFC 8288 has it."`
	Body struct {
		Notices []dewline.Notice `json:"notices" doc:"Newest first. One that waits or was not sent says why."`
		Next    string           `json:"next,omitempty" doc:"The cursor of the next page, absent on the last."`
	}
}

type messageOutput struct{ Body dewline.Message }

func (h *handler) registerNotices(api huma.API) {
	huma.Register(api, operation("list-notices", dewline.ReadCompany, "/notices", "List notices",
		"Who was told what of which alert and when; what waits, for what; and what was not sent, with the reason.", 400, 503), h.notices)
	huma.Register(api, operation("get-message", dewline.ReadCompany, "/messages/{id}", "A message", "What went to a contact, in the words that it was sent with, and how far it has come.", 404, 503), h.message)
}

func (h *handler) notices(ctx context.Context, in *noticesInput) (*noticesOutput, error) {
	if h.Notices == nil {
		return nil, unavailable("notices")
	}
	filter := dewline.NoticeFilter{Alert: in.Alert, Contact: in.Contact, Message: in.Message, After: in.Cursor}
	var err error
	if filter.Limit, err = parseLimit(in.Limit); err != nil {
		return nil, err
	}
	if filter.States, err = parseNoticeStates(in.State); err != nil {
		return nil, err
	}
	page, err := h.Notices.NoticesIn(ctx, filter)
	if err != nil {
		return nil, h.fail(ctx, "notices", err)
	}
	out := &noticesOutput{}
	out.Body.Notices, out.Body.Next = orEmpty(page.Notices), page.Next
	if page.Next != "" {
		query := url.Values{"cursor": {page.Next}, "limit": {strconv.Itoa(filter.Limit)}}
		for name, value := range map[string]string{"alert": in.Alert, "contact": in.Contact, "message": in.Message, "state": in.State} {
			if value != "" {
				query.Set(name, value)
			}
		}
		out.Link = "<" + Prefix + "/notices?" + query.Encode() + `>; rel="next"`
	}
	return out, nil
}

var noticeStates = []dewline.NoticeState{dewline.NoticeWaiting, dewline.NoticeSending, dewline.NoticeSent, dewline.NoticeNotSent}

func parseNoticeStates(text string) ([]dewline.NoticeState, error) {
	if text == "" {
		return nil, nil
	}
	var states []dewline.NoticeState
	for word := range strings.SplitSeq(text, ",") {
		s := dewline.NoticeState(strings.TrimSpace(word))
		if !slices.Contains(noticeStates, s) {
			return nil, refused("state", "%q is no state of a notice: it is one of %s", word, join(noticeStates))
		}
		states = append(states, s)
	}
	return states, nil
}

func (h *handler) message(ctx context.Context, in *idInput) (*messageOutput, error) {
	if h.Notices == nil {
		return nil, unavailable("messages")
	}
	m, err := h.Notices.MessageByID(ctx, in.ID)
	if err != nil {
		return nil, h.fail(ctx, "messages", err)
	}
	m.Files = slices.Clone(m.Files)
	for i := range m.Files {
		m.Files[i].Body = nil // what went to an owner is that owner's: when a home is in use stands in it
	}
	return &messageOutput{m}, nil
}
