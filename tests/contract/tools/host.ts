// A host in TypeScript: it compiles without a cast, so the types say what the service answers.
import createClient from "openapi-fetch";
import type { components, paths } from "./review";

const client = createClient<paths>({ baseUrl: "http://127.0.0.1:8080" });

export async function review(): Promise<string[]> {
  const { data, error } = await client.POST("/v1/reviews", {
    params: { query: { stage: "closing" } },
    body: { episode_ref: "a", sedation: { none: true }, handover: { absent: "not_collected" } },
  });
  if (error) {
    return [error.code, ...error.errors.map((each) => each.detail)];
  }
  const all: components["schemas"]["Review"] = data;
  const title: string = data.findings[0].title;
  const pointer: string = data.findings[0].instances[0].pointers[0].pointer;
  const missing: string | undefined = data.findings[0].instances[0].pointers[0].missing;
  return [
    ...data.tell_now.map((line) => line.text),
    ...all.unjudged.map((each) => each.message),
    title,
    missing ?? pointer,
  ];
}
