package senml_test

import (
	"fmt"

	"dewline/ingest/senml"
)

func ExampleDecoder() {
	topic, _ := senml.ParseTopic("dewline", "dewline/quay-library/hall-ac/readings")
	payload := []byte(`[{"bt":1940000000,"bu":"[degF]","n":"suction_temp","v":50},{"n":"compressor_on","vb":true},{"n":"liquid_temp","u":"kPa","v":1}]`)

	var decoder senml.Decoder
	var pack senml.Pack
	decoder.Decode(&pack, payload, senml.Context{System: topic.System(), Received: 1940000001_000})

	for _, s := range pack.Samples {
		fmt.Println(s.System, s.Point, s.Value)
	}
	for _, r := range pack.Refused {
		fmt.Println("record", r.Record, r.Reason, r.Detail)
	}
	// Output:
	// quay-library/hall-ac suction_temp 10
	// quay-library/hall-ac compressor_on 1
	// record 3 wrong_unit u "kPa": liquid_temp is in Cel
}
