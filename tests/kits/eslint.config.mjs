// What no script of a page that we write may hold; types are another test's matter.
const forbidden = ["innerHTML", "outerHTML", "insertAdjacentHTML", "write", "writeln"];
const globals = [
  "document", "location", "navigator", "addEventListener", "setTimeout", "requestIdleCallback", "performance",
  "Element", "HTMLElement", "HTMLAnchorElement", "HTMLButtonElement", "HTMLDialogElement", "HTMLFormElement",
  "HTMLInputElement", "HTMLOutputElement", "HTMLSelectElement", "HTMLTableElement", "HTMLTextAreaElement", "Option",
  "_SHA256", // the library that the verifying page carries
];

export default [{
  languageOptions: {
    ecmaVersion: 2023,
    sourceType: "script",
    globals: Object.fromEntries(globals.map((name) => [name, "readonly"])),
  },
  linterOptions: { noInlineConfig: true },
  rules: {
    "array-callback-return": "error",
    "eqeqeq": "error",
    "no-eval": "error",
    "no-implied-eval": "error",
    "no-restricted-properties": ["error", ...forbidden.map((property) => ({ property, message: "Text is no markup." }))],
    "no-shadow": "error",
    "no-undef": "error",
    "no-unused-vars": "error",
    "no-use-before-define": ["error", { functions: false, variables: false }],
    "no-var": "error",
    "prefer-const": "error",
  },
}];
