import { expect, test } from "vitest";
import { answerOf, type Progress } from "../src/plan/stream";

const refuse = (body: { error: string }) => new Error(body.error);

/** A stream of these pieces; `gone` tells when the reader lets go of it. */
function streamOf(...pieces: (string | Uint8Array)[]) {
  const bytes = pieces.map((p) => (typeof p === "string" ? new TextEncoder().encode(p) : p));
  return new ReadableStream<Uint8Array>({
    pull(to) {
      const next = bytes.shift();
      if (next) to.enqueue(next);
      else to.close();
    },
  });
}

test("progress is told as it comes, the answer ends it", async () => {
  const seen: Progress[] = [];
  const stream = streamOf(
    '{"progress": 0.25, "stage": "loo',
    'king round"}\n\n{"progress": 7}\n{"prop',
    'osals": [1, 2]}\n{"progress": 1}\n',
  );
  const answer = await answerOf(stream, (p) => seen.push(p), refuse);
  expect(answer).toEqual({ proposals: [1, 2] });
  expect(seen).toEqual([
    { share: 0.25, stage: "looking round" },
    { share: 1, stage: "" },
  ]);
});

test("letters cut in the middle come through, the last line needs no end", async () => {
  const bytes = new TextEncoder().encode('{"name": "Sørdal"}');
  const cut = bytes.indexOf(0xc3) + 1;
  const answer = await answerOf(streamOf(bytes.slice(0, cut), bytes.slice(cut)), () => {}, refuse);
  expect(answer).toEqual({ name: "Sørdal" });
});

test("a refusal in the stream is an error in the server's words", async () => {
  const stream = streamOf('{"progress": 0.5}\n{"error": "no road leads there", "hint": "x"}\n');
  await expect(answerOf(stream, () => {}, refuse)).rejects.toThrow("no road leads there");
});

test("a stream that breaks off is an error", async () => {
  await expect(answerOf(streamOf('{"progress": 0.5}\n'), () => {}, refuse)).rejects.toThrow("broke off");
  await expect(answerOf(streamOf(), () => {}, refuse)).rejects.toThrow("broke off");
});
