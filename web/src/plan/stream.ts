// Answers that come line by line: progress first, the answer last (NDJSON).

import type { ErrorBody } from "../types/ErrorBody";

/** How far a search has come. */
export interface Progress {
  /** 0 to 1. */
  share: number;
  /** What it does now, in plain words. */
  stage: string;
}

type StreamLine = { progress: number; stage?: string } | ErrorBody | Record<string, unknown>;

/**
 * Reads a stream of JSON lines up to its answer, the first line that is neither progress nor an error.
 * `refuse` makes the error of a refusal.
 */
export async function answerOf<T>(
  stream: ReadableStream<Uint8Array>,
  onProgress: (progress: Progress) => void,
  refuse: (body: ErrorBody) => Error,
): Promise<T> {
  const reader = stream
    .pipeThrough(new TextDecoderStream() as ReadableWritablePair<string, Uint8Array>)
    .getReader();
  let rest = "";
  for (;;) {
    const { value, done } = await reader.read();
    rest += value ?? "";
    const lines = rest.split("\n");
    rest = done ? "" : (lines.pop() ?? "");
    for (const text of lines) {
      if (!text.trim()) continue;
      const line = JSON.parse(text) as StreamLine;
      if ("error" in line) throw refuse(line as ErrorBody);
      if (!("progress" in line)) {
        void reader.cancel();
        return line as T;
      }
      const { progress, stage } = line as { progress: number; stage?: string };
      onProgress({ share: Math.max(0, Math.min(1, progress)), stage: stage ?? "" });
    }
    if (done) throw refuse({ error: "the answer broke off", hint: "ask again" });
  }
}
