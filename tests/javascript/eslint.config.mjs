import js from "@eslint/js";
import globals from "globals";

export default [
  js.configs.recommended,
  {
    files: ["**/*.mjs"],
    languageOptions: { ecmaVersion: 2024, sourceType: "module", globals: { ...globals.browser, React: "readonly" } },
    linterOptions: { reportUnusedDisableDirectives: "error" },
    rules: {
      "no-unused-vars": ["error", { ignoreRestSiblings: true }],
      "no-var": "error",
      "prefer-const": "error",
      eqeqeq: "error",
      "no-shadow": "error",
      "no-implicit-globals": "error",
      "no-eval": "error",
      "no-implied-eval": "error",
      "no-else-return": "error",
      "no-console": "error",
      "max-lines": ["error", 400],
      "max-lines-per-function": ["error", { max: 130 }],
    },
  },
  { files: ["tests/javascript/**"], languageOptions: { globals: globals.node } },
];
