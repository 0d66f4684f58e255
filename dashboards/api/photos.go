package api

import (
	"context"
	"net/http"
	"strconv"

	"github.com/danielgtaylor/huma/v2"

	"dewline"
)

type putPhotoInput struct {
	ID      string `path:"id"`
	RawBody []byte `contentType:"application/octet-stream" doc:"The picture: JPEG, PNG or WebP. Its type is what its bytes show."`
}

type photoOutput struct{ Body dewline.Photo }

type photoInput struct {
	ID     string `path:"id"`
	Digest string `path:"digest"`
	Size   string `query:"size" doc:"small for one that is small enough for a list; absent for the whole." example:"small"`
}

func (h *handler) registerPhotos(api huma.API) {
	put := writing("keep-photo", dewline.WorkOnVisits, http.MethodPost, "/visits/{id}/photos", "Keep a photo of a visit",
		"It is turned upright, made smaller where it is large, and kept without place, time, device or other notes, as JPEG. Keeping it again changes nothing. "+
			"What it answers goes among the photos of the visit, with the next revision: only then is it part of the visit.", 404, 413)
	put.MaxBodyBytes = dewline.MaxPhotoBytes + 1 // one more is told in words
	huma.Register(api, put, h.keepPhoto)
	get := operation("get-photo", dewline.ReadMachines, "/visits/{id}/photos/{digest}", "A photo of a visit", "", 400, 404, 503)
	get.Responses[strconv.Itoa(http.StatusOK)] = &huma.Response{Description: "The photo",
		Content: map[string]*huma.MediaType{"image/jpeg": {Schema: &huma.Schema{Type: huma.TypeString, Format: "binary"}}}}
	huma.Register(api, get, h.photo)
}

// visitSeen returns a visit that the visitor may know of.
func (h *handler) visitSeen(ctx context.Context, id string) (v dewline.Visit, err error) {
	if h.Service == nil || h.Photos == nil {
		return v, unavailable("photos")
	}
	if v, err = h.Service.VisitByID(ctx, id); err != nil {
		return v, h.fail(ctx, "visits", err)
	}
	visitor := dewline.VisitorOf(ctx)
	if _, seen := h.Overview.Fleet(ctx).Site(v.System.Site()); !seen && !visitor.SeesAll() {
		return v, problem(http.StatusNotFound, "there is no such visit")
	}
	return v, nil
}

func (h *handler) keepPhoto(ctx context.Context, in *putPhotoInput) (*photoOutput, error) {
	v, err := h.visitSeen(ctx, in.ID)
	if err != nil {
		return nil, err
	}
	if v.Closed != 0 {
		return nil, problem(http.StatusConflict, "the visit is closed and stays as it is")
	}
	p, err := h.Photos.KeepPhoto(ctx, v.ID, in.RawBody)
	if err != nil {
		return nil, h.fail(ctx, "photos", err)
	}
	return &photoOutput{p}, nil
}

func (h *handler) photo(ctx context.Context, in *photoInput) (*paperOutput, error) {
	if in.Size != "" && in.Size != "small" {
		return nil, refused("size", "%q: it is small, or left out", in.Size)
	}
	v, err := h.visitSeen(ctx, in.ID)
	if err != nil {
		return nil, err
	}
	data, err := h.Photos.PhotoOf(ctx, v.ID, in.Digest, in.Size == "small")
	if err != nil {
		return nil, h.fail(ctx, "photos", err)
	}
	out := shown(dewline.Paper{Name: in.Digest + ".jpg", Type: "image/jpeg", Body: data})
	out.Cache = "private, max-age=31536000, immutable" // by its digest, and only for whom it was shown
	return out, nil
}
