/* What the libraries still ask for of the language of before 2017: generators that run straight through. They use it in one
   place, where they wait for a script that is loaded later; tests/unit/dashboard/test_dashboard_app.py sees to it. */
window.regeneratorRuntime = window.regeneratorRuntime || {
  mark: (/** @type {unknown} */ made) => made,
  wrap: (/** @type {(state: object) => unknown} */ step) => {
    const state = { prev: 0, next: 0, ended: false, sent: /** @type {unknown} */ (undefined), stop: () => ((state.ended = true), undefined) };
    return {
      next: (/** @type {unknown} */ given) => {
        state.sent = given;
        const value = step(state);
        return { value, done: state.ended };
      },
      throw: (/** @type {unknown} */ problem) => {
        throw problem;
      },
    };
  },
};
