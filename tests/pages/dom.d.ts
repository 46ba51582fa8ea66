// What the check of the scripts' types lets every element have: a page knows its elements by their ids.

interface EventTarget {
  checked: any;
  closest: any;
  content: any;
  readonly dataset: DOMStringMap;
  disabled: any;
  files: any;
  focus(options?: FocusOptions): void;
  hash: string;
  id: any;
  labels: any;
  matches: any;
  max: any;
  min: any;
  options: any;
  play: any;
  select: any;
  srcObject: any;
  tBodies: any;
  value: any;
  videoHeight: any;
  videoWidth: any;
}
